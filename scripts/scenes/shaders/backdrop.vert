in vec2 in_corner;
uniform mat3 ray_matrix;   // NDC (x, y, 1) -> carpet-frame direction
out vec3 v_ray;
void main() {
    v_ray = ray_matrix * vec3(in_corner, 1.0);
    gl_Position = vec4(in_corner, 0.999999, 1.0);
}
