// Shared by all shaders: the scene's uniform block and noise. Carpet frame: Z up, metres, Z = 0 on the carpet.
layout(std140) uniform Scene {
    mat4 view_projection;
    mat4 light_matrix[3];
    vec4 camera_position;   // xyz, w: metres a pixel at 1 m depth
    vec4 light_position[3]; // xyz, w: radius of the source (m)
    vec4 light_colour[3];   // rgb irradiance at the target, w: squared distance to the target
    vec4 sky_top;           // rgb, w: size of one light-map texel of the tight map (m)
    vec4 sky_horizon;       // rgb, w: depth-map normal offset (m)
    vec4 tight_region;      // cx, cy, half side (m), blend width
    vec4 wide_region;
    vec4 floor_p[14];
    vec4 wall_p[6];
    vec4 misc;              // seed, pile height (m), mirrored pass (0/1), mean floor albedo
};

float hash1(uvec3 v) {
    v = v * 1664525u + 1013904223u;
    v.x += v.y * v.z; v.y += v.z * v.x; v.z += v.x * v.y;
    v ^= v >> 16u;
    v.x += v.y * v.z;
    return float(v.x >> 8) * (1.0 / 16777216.0);
}
float hash2(vec2 p) { return hash1(uvec3(ivec3(ivec2(floor(p)) + 32768, 7))); }
float noise2(vec2 p) {
    vec2 i = floor(p), f = p - i;
    f = f * f * (3.0 - 2.0 * f);
    return mix(mix(hash2(i), hash2(i + vec2(1, 0)), f.x), mix(hash2(i + vec2(0, 1)), hash2(i + vec2(1, 1)), f.x), f.y);
}
float noise3(vec3 p) {
    vec3 i = floor(p), f = p - i;
    f = f * f * (3.0 - 2.0 * f);
    uvec3 u = uvec3(ivec3(i) + 32768);
    float a = mix(mix(hash1(u), hash1(u + uvec3(1, 0, 0)), f.x), mix(hash1(u + uvec3(0, 1, 0)), hash1(u + uvec3(1, 1, 0)), f.x), f.y);
    u.z += 1u;
    float b = mix(mix(hash1(u), hash1(u + uvec3(1, 0, 0)), f.x), mix(hash1(u + uvec3(0, 1, 0)), hash1(u + uvec3(1, 1, 0)), f.x), f.y);
    return mix(a, b, f.z);
}
float fbm2(vec2 p) { return 0.5 * noise2(p) + 0.3 * noise2(p * 2.13 + 17.3) + 0.2 * noise2(p * 4.31 + 5.1); }
float fbm3(vec3 p) { return 0.55 * noise3(p) + 0.3 * noise3(p * 2.13 + 17.3) + 0.15 * noise3(p * 4.31 + 5.1); }
// Dithering that differs from pixel to pixel but not from frame to frame.
float interleaved(vec2 p) { return fract(52.9829189 * fract(dot(p, vec2(0.06711056, 0.00583715)))); }
