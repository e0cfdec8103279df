in vec3 in_position;
in vec3 in_normal;
in vec3 in_rest;
in uvec4 in_tag;     // material, part code, detail flags, fade
in float in_sky;
out vec3 v_position;
out vec3 v_normal;
out vec3 v_rest;
out float v_sky;
out float v_fade;
flat out uvec4 v_tag;
void main() {
    v_position = in_position;
    v_normal = in_normal;
    v_rest = in_rest;
    v_sky = in_sky;
    v_fade = float(in_tag.w) / 255.0;
    v_tag = in_tag;
    vec3 p = in_position;
    if (misc.z > 0.5) p.z = -max(p.z, 0.0);
    gl_Position = view_projection * vec4(p, 1.0);
}
