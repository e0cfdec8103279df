in vec3 v_world;
layout(location = 0) out vec4 f_colour;

// A printed sheet that lies on the carpet: middle and turn, half sides (m) and whether there is one, tilt about its axes (rad) and curl (m at its ends).
uniform vec4 sheet_place, sheet_size, sheet_shape;
uniform sampler2D sheet_image;   // one texel or more a millimetre, rows from the page's top

float line_mask(float d, float half_width, float w) {
    return 1.0 - smoothstep(half_width - w, half_width + w, abs(d));
}
void main() {
    vec2 xy = v_world.xy;
    vec3 to_camera = camera_position.xyz - v_world;
    float dist = length(to_camera);
    vec3 view = to_camera / dist;
    vec2 w2 = fwidth(xy);
    float w = max(length(w2), 1e-5);          // footprint of the pixel on the carpet, m (longest side)
    int type = int(floor_p[0].w + 0.5);
    vec3 a = floor_p[0].rgb, b = floor_p[1].rgb, line_colour = floor_p[2].rgb;
    float scale = floor_p[1].w;
    mat2 rot = mat2(floor_p[3].x, floor_p[3].y, -floor_p[3].y, floor_p[3].x);
    vec2 p = rot * (xy - floor_p[13].xy);
    float seed = misc.x;

    // Pattern: t blends the two colours.
    float t = 0.0, e = w / scale;
    float keep = 1.0 - smoothstep(0.4, 1.2, e);
    if (type == 2) {
        t = smoothstep(-0.04 - e, 0.04 + e, fbm2(p / scale + seed) - 0.5);
        t = mix(0.5, t, keep);
    } else if (type == 3) {
        float s = abs(fract(p.x / scale) - 0.5);
        t = mix(0.3, smoothstep(0.35 - e, 0.35 + e, s), keep);
    } else if (type == 4) {
        vec2 g = p / scale, f = abs(fract(g) - 0.5);
        float joint = smoothstep(0.5 - 0.004 / scale - e, 0.5, max(f.x, f.y));
        float each = hash2(g + seed * 13.0);
        t = clamp(each * 0.35 * floor_p[3].w + joint * 0.8 * keep, 0.0, 1.0);
    } else if (type == 5) {
        vec2 g = p / scale, c = fract(g) - 0.5;
        float k = hash2(g + seed * 31.0);
        float d = k < 0.4 ? length(c) - 0.3 : (k < 0.7 ? abs(c.x) + abs(c.y) - 0.33 : max(abs(c.x), abs(c.y)) - 0.26);
        t = mix(0.25, 1.0 - smoothstep(-e, e, d), keep);
    } else if (type == 6) {
        float row = floor(p.y / scale);
        vec2 g = vec2(p.x / (scale * 9.0) + hash2(vec2(row, seed)) * 7.0, row);
        float each = hash2(vec2(floor(g.x) + 31.0, row) + seed);
        float grain = fbm2(vec2(p.x * 6.0, p.y * 70.0) + each * 90.0);
        float joint = 1.0 - smoothstep(0.0, 0.02 + e, abs(fract(p.y / scale) - 0.5 + 0.5) * 1.0);
        t = clamp(0.45 * each + 0.5 * (grain - 0.4) * (1.0 - smoothstep(0.005, 0.03, w)) + joint * keep * 0.3, 0.0, 1.0);
    } else if (type == 7) {
        vec2 g = floor(p / scale);
        float c = mod(g.x + g.y, 2.0);
        vec2 f = abs(fract(p / scale) - 0.5);
        float joint = smoothstep(0.5 - 0.006 / scale - e, 0.5, max(f.x, f.y));
        t = mix(0.5, c, keep);
        t = clamp(t + (joint * 0.4) * keep * (1.0 - 2.0 * t), 0.0, 1.0);
    }
    vec3 albedo = mix(a, b, t);

    // Lines of the competition area, and a marked rectangle.
    float mark = 0.0;
    float half_line = floor_p[2].w;
    float blur = 0.5 * w + 0.0008;
    for (int i = 0; i < 4; i++) {
        vec4 l = floor_p[6 + i];
        if (l.w > 0.5) {
            float d = dot(xy, l.xy) - l.z;
            mark = max(mark, line_mask(d, half_line, 0.5 * length(vec2(dFdx(d), dFdy(d))) + 1e-5));
        }
    }
    vec4 r = floor_p[12];
    if (r.z > r.x) {
        vec2 c = 0.5 * (r.xy + r.zw), h = 0.5 * (r.zw - r.xy);
        vec2 q = abs(xy - c) - h;
        float d = max(q.x, q.y);
        // Edges as sharp as a pixel's own footprint across them allows.
        mark = max(mark, line_mask(d + half_line, half_line, 0.5 * length(vec2(dFdx(d), dFdy(d))) + 1e-5));
    }
    albedo = mix(albedo, line_colour, mark);

    // Edge of the carpet.
    vec4 bounds = floor_p[10];
    vec2 q = max(bounds.xy - xy, xy - bounds.zw);
    float outside = smoothstep(-blur, blur, max(q.x, q.y));
    albedo = mix(albedo, floor_p[11].rgb, outside);

    // The sheet. Its height over the carpet moves what is seen along the line of sight; a pixel is the mean of many points of it.
    float paper = 0.0;
    vec3 print = vec3(0.0);
    if (sheet_size.z > 0.5) {
        vec2 dx = dFdx(xy), dy = dFdy(xy);
        if (length(xy - sheet_place.xy) < 3.0 * length(sheet_size.xy) + 4.0 * w) {
            const int N = 8;
            for (int i = 0; i < N; i++) for (int k = 0; k < N; k++) {
                vec2 ground = xy + dx * ((float(i) + 0.5) / float(N) - 0.5) + dy * ((float(k) + 0.5) / float(N) - 0.5);
                vec2 d = ground - sheet_place.xy;
                vec2 slope = camera_position.xy - ground;
                slope = vec2(slope.x * sheet_place.z + slope.y * sheet_place.w, -slope.x * sheet_place.w + slope.y * sheet_place.z) / camera_position.z;
                d = vec2(d.x * sheet_place.z + d.y * sheet_place.w, -d.x * sheet_place.w + d.y * sheet_place.z);
                vec2 at = d;
                for (int n = 0; n < 6; n++) {
                    vec2 e = at / sheet_size.xy;
                    float z = sheet_shape.x * at.y - sheet_shape.y * at.x + sheet_shape.z * e.x * e.x + sheet_shape.w * e.y * e.y;
                    at = d + slope * z;
                }
                vec2 e = at / sheet_size.xy;
                if (max(abs(e.x), abs(e.y)) < 1.0) {
                    paper += 1.0;
                    print += vec3(textureLod(sheet_image, vec2(0.5 + 0.5 * e.x, 0.5 - 0.5 * e.y), 0.0).r);
                }
            }
            print /= max(paper, 1.0);
            paper /= float(N * N);
        }
    }

    // Large wear and dirt, heathering, tufts. Detail fades as the pixel's footprint covers it.
    float wear = floor_p[4].z, dirt = floor_p[4].w, heather = floor_p[3].z;
    albedo *= 1.0 + wear * (fbm2(xy * 0.9 + seed * 3.0) - 0.5) + 0.5 * wear * (fbm2(xy * 4.3 + seed * 7.0) - 0.5);
    float spots = smoothstep(0.74, 0.82, fbm2(xy * 9.0 + seed * 11.0)) * (1.0 - smoothstep(0.03, 0.1, w));
    albedo *= 1.0 - dirt * spots;
    vec3 n = vec3(0, 0, 1);
    if (w < 0.03 && outside < 0.99) {
        float fine = 1.0 - smoothstep(0.0015, 0.006, w), mid = 1.0 - smoothstep(0.006, 0.03, w);
        float tuft = noise2(xy * 260.0) * fine + 0.5 * (1.0 - fine);
        float grain = noise2(xy * 90.0 + 40.0) * mid + 0.5 * (1.0 - mid);
        albedo *= 1.0 + heather * (1.2 * (tuft - 0.5) + 1.0 * (grain - 0.5));
        float bump = floor_p[4].x * mid;
        vec2 dn = vec2(noise2(xy * 150.0 + 3.0) - 0.5, noise2(xy * 150.0 + 71.0) - 0.5);
        n = normalize(vec3(dn * bump * 1.6, 1.0));
        // A pile is darker between its tufts.
        albedo *= 1.0 - floor_p[4].y * fine * (1.0 - tuft);
    }
    // Ink reflects 4 %, paper 82 %.
    albedo = mix(albedo, mix(vec3(0.04), vec3(0.82, 0.82, 0.8), print), paper);
    n = normalize(mix(n, vec3(0, 0, 1), paper));
    albedo = clamp(albedo, 0.004, 0.95);

    vec4 occlusion = floor_occlusion(xy, 0.35 * sqrt(max(w2.x * w2.y, 1e-10)));
    vec3 irradiance = (sky_top.rgb * 0.7 + sky_horizon.rgb * 0.3) * (1.0 - occlusion.a);
    float gloss = floor_p[5].x * (1.0 - outside), rough = floor_p[5].y;
    vec3 spec = vec3(0.0);
    for (int i = 0; i < 3; i++) {
        vec3 l = light_position[i].xyz - v_world;
        float d2 = dot(l, l);
        l *= inversesqrt(d2);
        vec3 c = light_colour[i].rgb * (light_colour[i].w / d2) * (1.0 - occlusion[i]);
        irradiance += c * max(dot(n, l), 0.0);
        vec3 h = normalize(l + view);
        float k = max(dot(mix(vec3(0, 0, 1), n, 0.5), h), 0.0), r4 = rough * rough * rough * rough;
        float dd = k * k * (r4 - 1.0) + 1.0;
        spec += c * r4 / (4.0 * dd * dd) * max(l.z, 0.0);
    }
    float fresnel = 0.04 + 0.96 * pow(1.0 - clamp(view.z, 0.0, 1.0), 5.0);
    vec3 mirror = reflect(-view, vec3(0, 0, 1));
    vec3 colour = albedo * irradiance + gloss * (spec * 0.3 + fresnel * sky_radiance(mirror) * (1.0 - 0.8 * occlusion.a) * 0.6);
    // Grazing light catches the fibre tips: a faint sheen.
    colour += (1.0 - gloss) * (1.0 - paper) * 0.05 * albedo * irradiance * pow(1.0 - clamp(view.z, 0.0, 1.0), 3.0);
    f_colour = vec4(colour, 0.25);
}
