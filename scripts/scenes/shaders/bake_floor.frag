flat in vec4 v_weight;
out vec4 f_occlusion;   // rgb: share of each light that is hidden; a: of the sky
void main() { f_occlusion = v_weight; }
