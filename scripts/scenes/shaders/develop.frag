// Linear light -> display picture: area or bilinear resampling, exposure, tone curve, white balance, vignette.
uniform sampler2D linear_map;
uniform vec4 extent;     // used share of the linear map (x, y), source px an output px, lens blur (source px)
uniform vec4 develop_a;  // exposure, contrast, saturation, shoulder
uniform vec4 develop_b;  // white balance rgb, vignette
in vec2 v_uv;
out vec4 f_colour;
void main() {
    vec2 size = vec2(textureSize(linear_map, 0));
    vec2 centre = v_uv * extent.xy * size;
    vec3 sum = vec3(0.0);
    int n = extent.z <= 1.01 ? 1 : int(ceil(extent.z));
    vec2 top = extent.xy * size - 0.5;
    for (int j = 0; j < n; j++)
        for (int i = 0; i < n; i++) {
            vec2 q = centre + ((vec2(i, j) + 0.5) / float(n) - 0.5) * extent.z;
            sum += textureLod(linear_map, clamp(q, vec2(0.5), top) / size, 0.0).rgb;
        }
    vec3 c = sum / float(n * n) * develop_a.x * develop_b.rgb;
    vec2 v = v_uv - 0.5;
    c *= 1.0 - develop_b.w * dot(v, v);
    float k = develop_a.w;                       // 0: straight and clipped; 1: soft shoulder
    vec3 soft = 1.0 - exp(-1.25 * c);
    c = mix(min(c, vec3(1.0)), soft, k);
    float y = dot(c, vec3(0.2126, 0.7152, 0.0722));
    c = max(mix(vec3(y), c, develop_a.z), 0.0);
    vec3 s = mix(12.92 * c, 1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055, step(vec3(0.0031308), c));
    s = mix(s, s * s * (3.0 - 2.0 * s), develop_a.y);
    f_colour = vec4(clamp(s, 0.0, 1.0), 1.0);
}
