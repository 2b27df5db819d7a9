"""OpenGL programs of the renderer: the room with the walker's shadow, and the walker."""

ROOM_VERTEX = """
#version 330
in vec2 corner;
out vec2 place;
void main() { place = 0.5 * (corner + 1.0); gl_Position = vec4(corner, 0.9999, 1.0); }
"""

ROOM_FRAGMENT = """
#version 330
uniform sampler2D picture;
uniform sampler2D floor_m;
uniform sampler2D shadow;
uniform vec2 shadow_centre;
uniform float shadow_size;
in vec2 place;
out vec4 colour;
void main() {
    vec2 cell = (texture(floor_m, place).xy - shadow_centre) / shadow_size + 0.5;
    float dark = 0.0;
    if (cell.x > 0.0 && cell.x < 1.0 && cell.y > 0.0 && cell.y < 1.0) dark = texture(shadow, cell).x;
    colour = vec4(texture(picture, place).xyz * (1.0 - dark), 1.0);
}
"""

WALKER_VERTEX = """
#version 330
uniform mat4 view;
in vec3 position;
in vec3 normal;
in vec3 rest;
in vec3 paint;
in vec2 material;
out vec3 at;
out vec3 outward;
out vec3 cloth_at;
out vec3 base;
out vec2 surface;
void main() {
    at = position; outward = normal; cloth_at = rest; base = paint; surface = material;
    gl_Position = view * vec4(position, 1.0);
}
"""

WALKER_FRAGMENT = """
#version 330
uniform vec3 eye;
uniform vec3 key;
uniform float key_strength;
uniform float ambient;
in vec3 at;
in vec3 outward;
in vec3 cloth_at;
in vec3 base;
in vec2 surface;
out vec4 colour;

float chance(vec3 cell) { return fract(sin(dot(cell, vec3(127.1, 311.7, 74.7))) * 43758.5453); }
float noise(vec3 p) {
    vec3 cell = floor(p);
    vec3 f = fract(p);
    f = f * f * (3.0 - 2.0 * f);
    return mix(
        mix(mix(chance(cell), chance(cell + vec3(1, 0, 0)), f.x),
            mix(chance(cell + vec3(0, 1, 0)), chance(cell + vec3(1, 1, 0)), f.x), f.y),
        mix(mix(chance(cell + vec3(0, 0, 1)), chance(cell + vec3(1, 0, 1)), f.x),
            mix(chance(cell + vec3(0, 1, 1)), chance(cell + vec3(1, 1, 1)), f.x), f.y), f.z);
}

void main() {
    vec3 to_eye = normalize(eye - at);
    vec3 n = normalize(outward);
    if (dot(n, to_eye) < 0.0 && !gl_FrontFacing) n = -n;
    if (surface.y > 0.0) {
        vec3 p = cloth_at * vec3(22.0, 22.0, 13.0);
        float here = noise(p);
        vec3 slope = vec3(noise(p + vec3(0.6, 0, 0)), noise(p + vec3(0, 0.6, 0)), noise(p + vec3(0, 0, 0.6)))
            - here;
        n = normalize(n - 0.55 * surface.y * slope);
    }
    vec3 linear = pow(base, vec3(2.2));
    float wrap = max(0.0, (dot(n, key) + 0.25) / 1.25);
    float sky = 0.5 + 0.5 * n.z;
    float facing = max(dot(n, to_eye), 0.0);
    vec3 light = key_strength * wrap * vec3(1.0, 0.97, 0.92)
        + ambient * (mix(vec3(0.16, 0.15, 0.14), vec3(0.44, 0.46, 0.49), sky) + 0.10 * facing);
    light *= 0.80 + 0.20 * smoothstep(0.0, 0.5, facing);
    light *= 0.86 + 0.14 * smoothstep(0.0, 0.9, at.z);
    float shine = surface.x * pow(max(dot(n, normalize(key + to_eye)), 0.0), 24.0);
    colour = vec4(pow(clamp(linear * light + 0.35 * shine, 0.0, 1.0), vec3(1.0 / 2.2)), 1.0);
}
"""
