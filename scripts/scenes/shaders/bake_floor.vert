// Flattens the casters on to the carpet plane, seen from one light sample an instance: exact at contact, no bias.
layout(std140) uniform Samples { vec4 source[256]; vec4 weight[256]; };
uniform vec4 region;   // cx, cy, half side (m), number of samples
in vec3 in_position;
flat out vec4 v_weight;
void main() {
    vec4 s = source[gl_InstanceID];      // homogeneous: w = 1 a point, w = 0 a direction
    vec3 p = vec3(in_position.xy, max(in_position.z, 0.0));
    vec2 q = p.xy * s.z - s.xy * p.z;
    float w = s.z - s.w * p.z;
    // Every instance lies nearer than the last, so a point is counted once a sample without clearing the depth.
    float z = 1.0 - 2.0 * (float(gl_InstanceID) + 1.0) / (region.w + 1.0);
    gl_Position = vec4((q - region.xy * w) / region.z, z * w, w);
    v_weight = weight[gl_InstanceID];
}
