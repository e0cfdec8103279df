uniform sampler2D tight_map;
uniform sampler2D wide_map;
uniform sampler2DShadow light_depth[3];

// Hidden share of the three lights (rgb) and the sky (a) on the carpet, averaged over about `blur` metres.
vec4 floor_occlusion(vec2 xy, float blur) {
    vec2 a = (xy - tight_region.xy) / tight_region.z;
    vec2 b = (xy - wide_region.xy) / wide_region.z;
    float lod = max(0.0, log2(max(blur, 1e-5) / sky_top.w));
    float inside = 1.0 - smoothstep(0.9, 0.98, max(abs(a.x), abs(a.y)));
    vec4 wide = vec4(0.0);
    if (inside < 1.0) {
        float w = 1.0 - smoothstep(0.9, 0.99, max(abs(b.x), abs(b.y)));
        wide = textureLod(wide_map, b * 0.5 + 0.5, max(0.0, lod - 2.0)) * w;
    }
    vec4 tight = inside > 0.0 ? textureLod(tight_map, a * 0.5 + 0.5, lod) : vec4(0.0);
    return clamp(mix(wide, tight, inside), 0.0, 1.0);
}
// Irradiance / pi that reaches the carpet, from its lights and the sky.
vec3 floor_irradiance(vec2 xy, vec4 occlusion) {
    vec3 e = (sky_top.rgb * 0.7 + sky_horizon.rgb * 0.3) * (1.0 - occlusion.a);
    for (int i = 0; i < 3; i++) {
        vec3 l = light_position[i].xyz - vec3(xy, 0.0);
        float d2 = dot(l, l);
        e += light_colour[i].rgb * (l.z * inversesqrt(d2)) * (light_colour[i].w / d2) * (1.0 - occlusion[i]);
    }
    return e;
}
vec3 sky_radiance(vec3 d) { return mix(sky_horizon.rgb, sky_top.rgb, smoothstep(-0.1, 0.8, d.z)); }

const vec2 disc[8] = vec2[8](vec2(-0.7385, -0.1306), vec2(0.6996, -0.4450), vec2(-0.2340, 0.8705), vec2(-0.4463, -0.8593), vec2(0.2500, 0.0000), vec2(-0.3193, 0.2925), vec2(0.0489, -0.5569), vec2(0.4024, 0.5249));   // a sunflower in the unit disc, its rim first
float shadow_one(sampler2DShadow map, mat4 m, vec3 p, vec3 n, vec3 to_light, float radius, float dither) {
    float slope = clamp(1.0 - dot(n, to_light), 0.0, 1.0);
    vec4 q = m * vec4(p + n * sky_horizon.w * (0.6 + 1.6 * slope), 1.0);
    vec3 c = q.xyz / q.w * 0.5 + 0.5;
    if (any(lessThan(c.xy, vec2(0.002))) || any(greaterThan(c.xy, vec2(0.998)))) return 1.0;
    // Filter grows with the source; a fixed mean blocker distance of 12 cm serves for folds of a body on itself.
    float spread = max(0.12 * radius / max(length(to_light) , 1e-3), 0.0015);
    float uv = spread * length(vec3(m[0][0], m[1][0], m[2][0])) / q.w * 0.5;
    float sum = 0.0;
    float turn = 6.2831853 * dither;
    vec2 u = uv * vec2(cos(turn), sin(turn));
    mat2 rotate = mat2(u.x, u.y, -u.y, u.x);
    for (int k = 0; k < 8; k++) {
        sum += texture(map, vec3(c.xy + rotate * disc[k], c.z));
        if (k == 3 && (sum < 0.01 || sum > 3.99)) return sum * 0.25;   // away from the shadow's edge
    }
    return sum / 8.0;
}
