#include "budget.h"

#define FRAMES_PER_S 5
#define BITS_PER_BYTE_ON_LINE 10
#define OTHER_TRAFFIC_BITS 1200 /* a second: hello, status, replies */

uint8_t kn_sample_width(uint8_t bits, uint16_t averaging)
{
    uint8_t needed = bits;
    for (uint16_t rest = (uint16_t)(averaging - 1); rest > 0; rest >>= 1) {
        needed++;
    }
    return needed <= 16 ? 2 : needed <= 24 ? 3 : needed <= 32 ? 4 : 0;
}

uint8_t kn_sample_bytes(const kn_shape *shape, uint8_t mask, uint16_t averaging)
{
    uint8_t bytes = 0;
    for (uint8_t row = 0; row < shape->rows; row++) {
        if (mask & (1u << row)) {
            uint8_t width = kn_sample_width(shape->bits[row], averaging);
            if (width == 0) {
                return 0;
            }
            bytes = (uint8_t)(bytes + width * shape->axes[row]);
        }
    }
    return bytes;
}

uint8_t kn_samples_per_frame(uint8_t sample_bytes, uint8_t room, uint16_t averaging,
                             uint32_t raw_period, uint32_t tick_hz)
{
    uint8_t fits = (uint8_t)(room / sample_bytes);
    /* Divided twice, since the product of the divisors could exceed 32 bits; the result is the
     * same: floor(floor(a / b) / c) = floor(a / (b c)). */
    uint32_t in_time = tick_hz / FRAMES_PER_S / averaging / raw_period;
    uint8_t count = in_time < fits ? (uint8_t)in_time : fits;
    return count > 0 ? count : 1;
}

/* a * b, or the largest number if that is more than 32 bits hold. */
static uint32_t product_or_most(uint32_t a, uint32_t b)
{
    return a > UINT32_MAX / b ? UINT32_MAX : a * b;
}

/* A frame's bits on the line times tick rate over the readings in it, rounded up. The rate is
 * divided first, with its remainder, so that 32 bits are enough up to 1.6 MHz. */
static uint32_t bits_per_period(uint16_t frame_bytes, uint32_t readings, uint32_t tick_hz)
{
    uint32_t bits = (uint32_t)BITS_PER_BYTE_ON_LINE * frame_bytes;
    uint32_t rest = bits * (tick_hz % readings);
    return bits * (tick_hz / readings) + rest / readings + (rest % readings != 0);
}

uint8_t kn_line_carries(const kn_shape *shape, uint32_t baud, uint16_t averaging,
                        uint32_t raw_period, uint32_t tick_hz)
{
    uint8_t size = kn_sample_bytes(shape, KN_ALL_ROWS, averaging);
    uint32_t line = baud / 10 * 9 + baud % 10 * 9 / 10;
    if (size == 0 || line <= OTHER_TRAFFIC_BITS) {
        return 0;
    }
    uint8_t room = KN_PAYLOAD_LONGEST - KN_SAMPLES_HEAD;
    uint8_t count = kn_samples_per_frame(size, room, averaging, raw_period, tick_hz);
    uint16_t frame = (uint16_t)(KN_FRAME_OVERHEAD + KN_SAMPLES_HEAD + (uint16_t)count * size);
    return bits_per_period(frame, (uint32_t)averaging * count, tick_hz) <=
           product_or_most(line - OTHER_TRAFFIC_BITS, raw_period);
}

uint16_t kn_least_averaging(const kn_shape *shape, uint32_t baud, uint32_t raw_period,
                            uint32_t tick_hz)
{
    if (shape->rows == 0) {
        return 1;
    }
    for (uint16_t averaging = 1; averaging <= KN_AVERAGING_LARGEST; averaging++) {
        if (kn_line_carries(shape, baud, averaging, raw_period, tick_hz)) {
            return averaging;
        }
    }
    return 0;
}
