// Depth and part code at up to sixteen picture points a row: what stands in front of a point.
uniform sampler2DMS colour_ms;
uniform sampler2DMS depth_ms;
uniform vec2 point[16];     // px of the rendered window
uniform vec4 depth_range;   // near, far, window width, window height
out vec4 f_probe;
void main() {
    vec2 q = point[int(gl_FragCoord.x)];
    ivec2 p = ivec2(floor(q));
    if (p.x < 0 || p.y < 0 || p.x >= int(depth_range.z) || p.y >= int(depth_range.w)) { f_probe = vec4(-1.0); return; }
    float z = texelFetch(depth_ms, p, 0).r * 2.0 - 1.0;
    float n = depth_range.x, f = depth_range.y;
    f_probe = vec4(2.0 * n * f / (f + n - z * (f - n)), texelFetch(colour_ms, p, 0).a, 0.0, 0.0);
}
