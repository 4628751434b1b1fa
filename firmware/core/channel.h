/* One row of the hello's channel table, and the numbers it uses: docs/protocol.md. */
#ifndef KN_CHANNEL_H
#define KN_CHANNEL_H

#include <stdint.h>

enum kn_kind {
    KN_KIND_ACCELEROMETER = 1, /* g */
    KN_KIND_GYRO = 2,          /* deg/s */
    KN_KIND_TEMPERATURE = 3,   /* degrees Celsius */
    KN_KIND_LINEAR = 4         /* mm */
};

enum kn_sensor {
    KN_SENSOR_UNKNOWN = 0,
    KN_SENSOR_MPU6050 = 1,
    KN_SENSOR_ADXL355 = 2,
    KN_SENSOR_POTENTIOMETER = 3,
    KN_SENSOR_CALIPER = 4,
    KN_SENSOR_SIMULATED = 5
};

/* The floats are constants that are copied to the wire: the core never computes with them. */
typedef struct kn_channel {
    uint8_t kind;        /* enum kn_kind */
    uint8_t sensor;      /* enum kn_sensor */
    uint8_t axes;        /* 1 to 3 */
    uint8_t bits;        /* of one raw reading, sign included */
    float scale;         /* value = offset + scale * raw reading */
    float offset;
    float full_scale;    /* largest magnitude, in the kind's unit */
    float noise_density; /* unit per sqrt(Hz); 0 if not stated */
} kn_channel;

#endif
