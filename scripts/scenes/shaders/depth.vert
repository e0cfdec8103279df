// Depth of the casters from one light, or from many sky directions laid out as tiles (one an instance).
layout(std140) uniform Tiles { mat4 tile_matrix[64]; };
uniform ivec2 tiles;    // columns, rows
uniform int first_tile;
in vec3 in_position;
void main() {
    int i = gl_InstanceID;
    vec4 p = tile_matrix[i + first_tile] * vec4(in_position, 1.0);
    vec2 n = vec2(tiles);
    vec2 centre = (vec2(i % tiles.x, i / tiles.x) + 0.5) / n * 2.0 - 1.0;
    gl_Position = vec4(p.xy / n + centre * p.w, p.z, p.w);
}
