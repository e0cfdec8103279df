// Multisample colour -> one linear colour a pixel. Brightness is compressed while averaging, as a sensor that clips would.
uniform sampler2DMS colour_ms;
uniform int samples;
out vec4 f_colour;
void main() {
    ivec2 p = ivec2(gl_FragCoord.xy);
    vec3 sum = vec3(0.0);
    for (int i = 0; i < samples; i++) sum += min(texelFetch(colour_ms, p, i).rgb, vec3(24.0));
    f_colour = vec4(sum / float(samples), 1.0);
}
