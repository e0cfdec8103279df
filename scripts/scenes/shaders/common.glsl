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
// Value noise from random lattices in textures: a few fetches instead of dozens of hashes.
uniform sampler2D noise_image;    // 256 x 256, repeats
uniform sampler3D noise_volume;   // 64 x 64 x 64, repeats
float noise2(vec2 p) {
    vec2 i = floor(p), f = p - i;
    return textureLod(noise_image, (i + f * f * (3.0 - 2.0 * f) + 0.5) / 256.0, 0.0).r;
}
float noise3(vec3 p) {
    vec3 i = floor(p), f = p - i;
    return textureLod(noise_volume, (i + f * f * (3.0 - 2.0 * f) + 0.5) / 64.0, 0.0).r;
}
float fbm2(vec2 p) { return 0.5 * noise2(p) + 0.3 * noise2(p * 2.13 + 17.3) + 0.2 * noise2(p * 4.31 + 5.1); }
float fbm3(vec3 p) { return 0.55 * noise3(p) + 0.3 * noise3(p * 2.13 + 17.3) + 0.15 * noise3(p * 4.31 + 5.1); }
// Dithering that differs from pixel to pixel but not from frame to frame.
float interleaved(vec2 p) { return fract(52.9829189 * fract(dot(p, vec2(0.06711056, 0.00583715)))); }
