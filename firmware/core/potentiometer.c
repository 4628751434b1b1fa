#include "potentiometer.h"

const kn_channel kn_potentiometer_channel KN_FLASH = {
    .kind = KN_KIND_LINEAR,
    .sensor = KN_SENSOR_POTENTIOMETER,
    .axes = 1,
    .bits = 15,
    .scale = 100.0f / (float)KN_POTENTIOMETER_LARGEST,
    .offset = 0.0f,
    .full_scale = 100.0f,
    .noise_density = 0.0f,
};
