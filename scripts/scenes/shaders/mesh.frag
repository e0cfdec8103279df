layout(std140) uniform Materials { vec4 material[128]; };  // four a material
in vec3 v_position;
in vec3 v_normal;
in vec3 v_rest;
in float v_sky;
in float v_fade;
flat in uvec4 v_tag;
layout(location = 0) out vec4 f_colour;

void main() {
    int m = int(v_tag.x) * 4;
    vec4 m0 = material[m], m1 = material[m + 1], m2 = material[m + 2], m3 = material[m + 3];
    int type = int(m0.w + 0.5);   // 0 skin, 1 cloth, 2 shoe, 3 hair, 4 plain
    vec3 n = normalize(v_normal);
    vec3 view = normalize(camera_position.xyz - v_position);
    if (!gl_FrontFacing) n = -n;
    if (dot(n, view) < 0.0) n = normalize(n - view * dot(n, view) * 1.01);
    vec3 albedo = m0.rgb;
    vec3 r = v_rest;
    float w = length(fwidth(r));
    float rough = m1.x, specular = m1.y, wrap = m1.z, bump = m1.w, seed = m3.w;
    float scale = m3.x;
    if (type == 0) {
        float mottle = fbm3(r * 22.0 + seed), coarse = fbm3(r * 6.0 + seed * 3.0);
        albedo *= 1.0 + m3.y * (mottle - 0.5) + 0.6 * m3.y * (coarse - 0.5);
        albedo = mix(albedo, albedo * m2.rgb, v_fade);               // reddened knees, heels, toes; dust
        if (m2.w > 0.0) albedo = mix(albedo, vec3(0.08, 0.09, 0.12), m2.w * smoothstep(0.62, 0.66, fbm3(r * 11.0 + seed * 5.0)) * step(0.5, m2.w)); // ink
        if (w < 0.004 && m3.z > 0.0) {
            float hair = smoothstep(0.66, 0.9, noise3(r * vec3(700.0, 700.0, 130.0))) * (1.0 - smoothstep(0.001, 0.004, w));
            albedo *= 1.0 - m3.z * hair;
        }
        float b = bump * (1.0 - smoothstep(0.002, 0.01, w));
        if (b > 0.01) n = normalize(n + b * (vec3(noise3(r * 160.0), noise3(r * 160.0 + 9.0), noise3(r * 160.0 + 21.0)) - 0.5));
    } else if (type == 1) {
        int pattern = int(m2.w + 0.5);
        float t = 0.0;
        if (pattern == 1) t = smoothstep(0.45, 0.55, abs(fract(r.z / scale) - 0.5) * 2.0);
        else if (pattern == 2) t = smoothstep(0.48, 0.56, fbm3(r / scale + seed));
        else if (pattern == 3) t = smoothstep(0.1, 0.09, abs(r.y - 0.02) * 6.0 * 0.5);
        else if (pattern == 4) t = step(0.5, fract(r.z / scale)) * step(0.5, fract(r.x / scale));
        float keep = 1.0 - smoothstep(0.3, 1.0, w / max(scale, 1e-3));
        albedo = mix(albedo, m2.rgb, mix(0.3 * sign(float(pattern)), t, keep));
        float fold = 1.0 - smoothstep(0.01, 0.05, w);
        vec3 d = fold <= 0.0 ? vec3(0.0) : vec3(noise3(r * vec3(34, 34, 12) + seed), noise3(r * vec3(34, 34, 12) + seed + 31.0), noise3(r * vec3(30, 30, 14) + seed + 77.0)) - 0.5;
        n = normalize(n + bump * fold * d);
        float weave = w < 0.004 ? noise3(r * 420.0) - 0.5 : 0.0;
        albedo *= 1.0 + m3.y * weave * (1.0 - smoothstep(0.001, 0.004, w)) + 0.12 * (fbm3(r * 9.0 + seed) - 0.5);
        albedo *= mix(1.0, 0.55, v_fade);
    } else if (type == 2) {
        albedo = mix(m2.rgb, albedo, smoothstep(0.15, 0.19, v_fade));   // v_fade: height over the sole, 1 at 10 cm
        albedo *= 1.0 + 0.2 * (fbm3(r * 40.0 + seed) - 0.5);
    } else if (type == 3) {
        float strand = noise3(r * vec3(190.0, 190.0, 40.0));
        albedo *= 0.6 + 0.8 * strand;
        n = normalize(n + 0.3 * (vec3(noise3(r * 90.0), noise3(r * 90.0 + 9.0), noise3(r * 90.0 + 21.0)) - 0.5));
    } else {
        albedo *= 1.0 + 0.15 * (fbm3(v_position * 14.0 + seed) - 0.5);
    }
    // Pile: fibres stand up in front of the lowest millimetres.
    float pile = misc.y * noise2(v_position.xy * 210.0 + gl_FragCoord.xy * 0.013);
    float sunk = 1.0 - smoothstep(pile * 0.5, pile + 1e-5, v_position.z);

    float dither = interleaved(gl_FragCoord.xy);
    float height = max(v_position.z, 0.0);
    vec3 below = floor_irradiance(v_position.xy, floor_occlusion(v_position.xy, 1.3 * height));
    vec3 floor_albedo = 0.5 * (floor_p[0].rgb + floor_p[1].rgb);
    vec3 ambient = (sky_top.rgb * (0.5 + 0.2 * n.z) + sky_horizon.rgb * (0.5 - 0.2 * n.z)) * v_sky;
    ambient += floor_albedo * below * (0.5 - 0.5 * n.z);
    vec3 diffuse = ambient, spec = vec3(0.0);
    for (int i = 0; i < 3; i++) {
        vec3 l = light_position[i].xyz - v_position;
        float d2 = dot(l, l), d = sqrt(d2);
        l /= d;
        float c = dot(n, l);
        vec3 wrapped = clamp((vec3(c) + wrap * vec3(1.0, 0.45, 0.3)) / (1.0 + wrap * vec3(1.0, 0.45, 0.3)), 0.0, 1.0);
        if (wrapped.r <= 0.0 || dot(light_colour[i].rgb, vec3(1)) <= 0.0) continue;
        float s = i == 0 ? shadow_one(light_depth[0], light_matrix[0], v_position, n, l, light_position[0].w / d, dither)
                : i == 1 ? shadow_one(light_depth[1], light_matrix[1], v_position, n, l, light_position[1].w / d, dither)
                         : shadow_one(light_depth[2], light_matrix[2], v_position, n, l, light_position[2].w / d, dither);
        if (s <= 0.0) continue;
        vec3 e = light_colour[i].rgb * (light_colour[i].w / d2) * s;
        diffuse += e * wrapped;
        vec3 h = normalize(l + view);
        float k = max(dot(n, h), 0.0), r4 = rough * rough * rough * rough;
        float dd = k * k * (r4 - 1.0) + 1.0;
        spec += e * max(c, 0.0) * r4 / (4.0 * dd * dd);
    }
    float fresnel = 0.04 + 0.96 * pow(1.0 - clamp(dot(n, view), 0.0, 1.0), 5.0);
    vec3 mirror = reflect(-view, n);
    vec3 around = mix(floor_albedo * below, sky_radiance(mirror), smoothstep(-0.2, 0.2, mirror.z));
    vec3 colour = albedo * diffuse + specular * (spec * 0.4 + fresnel * around * v_sky * (1.0 - rough));
    if (sunk > 0.0 && misc.z < 0.5) {
        vec3 fibre = floor_p[0].rgb * below * 0.8;
        colour = mix(colour, fibre, sunk * 0.75);
    }
    f_colour = vec4(colour, float(v_tag.y) / 255.0);
}
