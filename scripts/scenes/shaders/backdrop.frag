// A hall: four walls and a ceiling, with bands, stands full of blurred people, panels or windows.
in vec3 v_ray;
layout(location = 0) out vec4 f_colour;
void main() {
    vec3 d = normalize(v_ray), o = camera_position.xyz;
    vec3 hi = vec3(wall_p[0].xy, wall_p[0].z);
    vec3 lo = vec3(-wall_p[0].xy, 0.0);
    vec3 k = mix((lo - o) / d, (hi - o) / d, step(vec3(0.0), d));
    k = mix(k, vec3(1e9), lessThan(abs(d), vec3(1e-6)));
    float s = min(k.x, min(k.y, max(k.z, 0.0) > 0.0 && d.z > 0.0 ? k.z : 1e9));
    vec3 p = o + d * s;
    bool ceiling = d.z > 0.0 && k.z <= min(k.x, k.y);
    vec2 uv = ceiling ? p.xy : vec2(k.x < k.y ? p.y : p.x + 50.0, p.z);
    int type = int(wall_p[0].w + 0.5);
    float seed = misc.x, scale = wall_p[3].w;
    vec3 a = wall_p[1].rgb, b = wall_p[2].rgb, c = wall_p[3].rgb, col = a;
    float w = camera_position.w * s;
    if (ceiling) {
        col = wall_p[4].rgb * (0.8 + 0.4 * fbm2(uv * 0.4));
        float lamp = smoothstep(0.42, 0.36, abs(fract(uv.x / 4.0) - 0.5) + 0.25) * smoothstep(0.4, 0.36, abs(fract(uv.y / 5.0) - 0.5));
        col += lamp * wall_p[5].rgb;
    } else if (type == 0) {
        col = mix(a, b, smoothstep(0.0, 1.0, uv.y / hi.z + 0.5 * (fbm2(uv * 0.15 + seed) - 0.5)));
    } else if (type == 1) {
        col = mix(a, b, smoothstep(wall_p[2].w - w, wall_p[2].w + w, uv.y));
        col = mix(col, c, smoothstep(0.1 + w, 0.1 - w, abs(uv.y - wall_p[2].w)));
    } else if (type == 2) {
        // Stands: rows of seats and people as soft coloured blobs over a barrier.
        vec2 g = vec2(uv.x / 0.55 + 0.5 * mod(floor(uv.y / 0.5), 2.0), uv.y / 0.5);
        vec2 f = fract(g) - 0.5;
        float k1 = hash2(g + seed), k2 = hash2(g + 91.0 + seed);
        vec3 person = vec3(hash2(g + 3.0), hash2(g + 5.0), hash2(g + 9.0)) * 0.5 + 0.03;
        float head = smoothstep(0.24 + w, 0.12 - w, length((f - vec2(0, 0.25)) * vec2(1.3, 1.0)));
        float body = smoothstep(0.42 + w, 0.3 - w, length((f + vec2(0, 0.2)) * vec2(1.0, 1.0)));
        col = mix(b, person * (0.6 + 0.4 * k2), body * step(0.3, k1));
        col = mix(col, vec3(0.35, 0.22, 0.16) * (0.4 + k2), head * step(0.3, k1));
        col = mix(col, a, smoothstep(wall_p[2].w + w, wall_p[2].w - w, uv.y));
    } else if (type == 3) {
        vec2 g = uv / vec2(scale, scale * 0.7);
        vec2 f = abs(fract(g) - 0.5);
        float pane = smoothstep(0.46, 0.44 - w, max(f.x, f.y));
        float level = step(wall_p[2].w, uv.y);
        col = mix(a, mix(a, b * (0.6 + 0.8 * hash2(g + seed)), pane), level);
    } else {
        float v1 = fbm2(uv * (1.0 / scale) + seed), v2 = fbm2(uv * (2.0 / scale) + 30.0 + seed);
        col = mix(a, b, smoothstep(0.35, 0.65, v1));
        col = mix(col, c, smoothstep(0.55, 0.7, v2));
    }
    // Hoardings: a band along the foot of the wall, in plain coloured panels.
    if (!ceiling && wall_p[1].w > 0.0 && uv.y < wall_p[1].w) {
        float panel = floor(uv.x / 3.0);
        col = vec3(hash2(vec2(panel, seed)), hash2(vec2(panel, seed + 5.0)), hash2(vec2(panel, seed + 9.0))) * 0.5 + 0.02;
        col *= 1.0 - 0.5 * smoothstep(0.46, 0.5, abs(fract(uv.x / 3.0) - 0.5));
    }
    col *= 0.85 + 0.3 * fbm2(uv * 0.7 + seed * 2.0);
    vec3 e = sky_horizon.rgb * 0.9 + 0.25 * (light_colour[0].rgb + light_colour[1].rgb + light_colour[2].rgb);
    if (!ceiling) e *= 0.6 + 0.4 * smoothstep(0.0, 1.2, uv.y);
    f_colour = vec4(col * e * wall_p[4].w, 0.0);
}
