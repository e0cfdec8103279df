// Share of the sky that each vertex sees (transform feedback): n.l weighted mean over the tiles' directions.
layout(std140) uniform Tiles { mat4 tile_matrix[64]; };
layout(std140) uniform Directions { vec4 direction[64]; };
uniform ivec2 tiles;
uniform int count;
uniform float offset_m;
uniform sampler2DShadow tile_depth;
in vec3 in_position;
in vec3 in_normal;
out float v_sky;
void main() {
    float sum = 0.0;
    vec2 n = vec2(tiles);
    for (int i = 0; i < count; i++) {
        float c = dot(in_normal, direction[i].xyz);
        if (c <= 0.0) continue;
        vec3 q = in_position + in_normal * offset_m + direction[i].xyz * offset_m * 0.5;
        vec4 p = tile_matrix[i] * vec4(q, 1.0);
        vec2 uv = (p.xy * 0.5 + 0.5 + vec2(i % tiles.x, i / tiles.x)) / n;
        sum += c * texture(tile_depth, vec3(uv, p.z * 0.5 + 0.5));
    }
    v_sky = 2.0 * sum / float(count);
    gl_Position = vec4(0.0);
}
