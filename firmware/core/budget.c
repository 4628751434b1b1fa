#include "budget.h"

#include "once.h"

#define FRAMES_PER_S 5
#define BITS_PER_BYTE_ON_LINE 10
#define OTHER_TRAFFIC_BITS 1200 /* a second: hello, status, replies */

KN_ONCE uint8_t kn_sample_width(uint8_t bits, uint16_t averaging)
{
    uint8_t needed = bits;
    for (uint16_t rest = (uint16_t)(averaging - 1); rest > 0; rest >>= 1) {
        needed++;
    }
    return needed <= 16 ? 2 : needed <= 24 ? 3 : needed <= 32 ? 4 : 0;
}

KN_ONCE uint8_t kn_sample_bytes(const kn_shape *shape, uint8_t mask, uint16_t averaging)
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

uint16_t kn_readings_in_frame_time(uint32_t raw_period, uint32_t tick_hz)
{
    return (uint16_t)(tick_hz / FRAMES_PER_S / raw_period);
}

uint8_t kn_samples_per_frame(uint8_t sample_bytes, uint8_t room, uint16_t averaging,
                             uint16_t readings_in_frame_time)
{
    uint8_t fits = room / sample_bytes;
    uint16_t in_time = readings_in_frame_time / averaging;
    uint8_t count = (uint8_t)(in_time < fits ? in_time : fits);
    return count > 0 ? count : 1;
}

uint16_t kn_least_averaging(const kn_shape *shape, uint32_t baud, uint32_t raw_period,
                            uint32_t tick_hz)
{
    uint16_t in_frame_time = kn_readings_in_frame_time(raw_period, tick_hz);
    uint32_t line = baud - (baud + 9) / 10;
    if (shape->rows == 0) {
        return 1;
    }
    if (line <= OTHER_TRAFFIC_BITS) {
        return 0;
    }
    for (uint16_t averaging = 1; averaging <= KN_AVERAGING_LARGEST; averaging++) {
        uint8_t size = kn_sample_bytes(shape, KN_ALL_ROWS, averaging);
        if (size == 0) {
            break;
        }
        uint8_t count = kn_samples_per_frame(size, KN_PAYLOAD_LONGEST - KN_SAMPLES_HEAD, averaging,
                                             in_frame_time);
        uint16_t frame = (uint16_t)(KN_FRAME_OVERHEAD + KN_SAMPLES_HEAD + (uint16_t)count * size);
        uint32_t readings = (uint32_t)averaging * count;
        /* 2530 bits at 1 MHz are well within 32 bits. Rounding up twice is rounding up once. */
        uint32_t bits = (uint32_t)(frame * BITS_PER_BYTE_ON_LINE) * tick_hz;
        bits = (bits + readings - 1) / readings;
        if ((bits + raw_period - 1) / raw_period <= line - OTHER_TRAFFIC_BITS) {
            return averaging;
        }
    }
    return 0;
}
