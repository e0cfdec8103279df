in vec2 in_corner;
out vec3 v_world;
void main() {
    v_world = vec3(in_corner * wall_p[0].xy, 0.0);   // the hall's floor, wall to wall
    gl_Position = view_projection * vec4(v_world, 1.0);
}
