#include "reports.h"

#include <string.h>

#include "flash.h"
#include "pod.h"
#include "version.h"
#include "writer.h"

/* Fixed bytes of a hello's payload: up to the hardware id's text, and the three lengths. */
#define HELLO_FIXED 30
#define FLAG_STREAMING 1
#define SETTINGS_AT_ONCE 16
#define BITS_PER_BYTE_ON_LINE 10
#define PARTS_OF_SECOND 10000u

_Static_assert(sizeof(float) == 4, "floats on the wire are IEEE 754 binary32");

/* Bytes on the line of a frame just written. */
static uint16_t taken(const kn_writer *w)
{
    return w->sent ? (uint16_t)(w->length + 3) : 0;
}

static uint8_t hardware_length(const kn_pod *pod)
{
    uint8_t length = 0;
    while (length < KN_TEXT_LONGEST && kn_flash_byte(pod->port->hardware + length) != 0) {
        length++;
    }
    return length;
}

uint16_t kn_hello_bytes(const kn_pod *pod)
{
    return (uint16_t)(KN_FRAME_OVERHEAD + HELLO_FIXED + hardware_length(pod) +
                      pod->settings.name_length + KN_CHANNEL_ROW * pod->table.shape.rows);
}

static void put_float(kn_writer *w, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    kn_put_u32(w, bits);
}

static void put_channel(kn_writer *w, const kn_table *table, uint8_t row)
{
    kn_channel channel;
    kn_table_channel(table, row, &channel);
    kn_put_u8(w, channel.kind);
    kn_put_u8(w, channel.sensor);
    kn_put_u8(w, channel.axes);
    kn_put_u8(w, channel.bits);
    put_float(w, channel.scale);
    put_float(w, channel.offset);
    put_float(w, channel.full_scale);
    put_float(w, channel.noise_density);
}

static void put_hello(kn_writer *w, const kn_pod *pod)
{
    uint8_t hardware = hardware_length(pod);
    kn_put_u8(w, KN_PROTOCOL);
    kn_put_u8(w, pod->port->reset_cause);
    kn_put_u8(w, pod->streaming ? FLAG_STREAMING : 0);
    kn_put_u8(w, KN_VERSION_MAJOR);
    kn_put_u8(w, KN_VERSION_MINOR);
    kn_put_u8(w, KN_VERSION_PATCH);
    kn_put_bytes(w, pod->settings.identity, KN_IDENTITY_BYTES);
    kn_put_u32(w, pod->port->tick_hz);
    kn_put_u32(w, pod->raw_period);
    kn_put_u16(w, pod->averaging);
    kn_put_u16(w, pod->least);
    kn_put_u8(w, hardware);
    kn_put_flash(w, pod->port->hardware, hardware);
    kn_put_u8(w, pod->settings.name_length);
    kn_put_bytes(w, pod->settings.name, pod->settings.name_length);
    kn_put_u8(w, pod->table.shape.rows);
    kn_put_u8(w, KN_CHANNEL_ROW);
    for (uint8_t row = 0; row < pod->table.shape.rows; row++) {
        put_channel(w, &pod->table, row);
    }
}

uint16_t kn_send_hello(kn_pod *pod)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_HELLO); kn_writer_pass(&w);) {
        put_hello(&w, pod);
    }
    return taken(&w);
}

uint16_t kn_send_status(kn_pod *pod)
{
    kn_writer w;
    uint32_t now = pod->port->now(pod->port->self);
    uint32_t overruns = kn_readings_overruns(&pod->readings);
    uint32_t faults = kn_faults_bits(&pod->faults);
    for (kn_writer_begin(&w, pod->port, KN_FRAME_STATUS); kn_writer_pass(&w);) {
        kn_put_u32(&w, now);
        kn_put_u32(&w, pod->dropped);
        kn_put_u32(&w, overruns);
        kn_put_u32(&w, pod->bus_errors);
        kn_put_u32(&w, pod->bad_frames);
        kn_put_u32(&w, faults);
    }
    return taken(&w);
}

uint16_t kn_send_fault(kn_pod *pod, uint8_t code, uint8_t channel, uint8_t present)
{
    kn_writer w;
    uint32_t now = pod->port->now(pod->port->self);
    for (kn_writer_begin(&w, pod->port, KN_FRAME_FAULT); kn_writer_pass(&w);) {
        kn_put_u32(&w, now);
        kn_put_u8(&w, code);
        kn_put_u8(&w, channel);
        kn_put_u8(&w, present);
    }
    return taken(&w);
}

uint16_t kn_send_button(kn_pod *pod)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_BUTTON); kn_writer_pass(&w);) {
        kn_put_u32(&w, pod->button.tick);
        kn_put_u8(&w, pod->button.pressed);
    }
    return taken(&w);
}

uint16_t kn_send_samples(kn_pod *pod)
{
    kn_writer w;
    const kn_sampler *s = &pod->sampler;
    uint8_t whole = s->frame_rows == (uint8_t)(KN_BIT(pod->table.shape.rows) - 1);
    uint8_t type = whole ? KN_FRAME_SAMPLES : KN_FRAME_SAMPLES_PARTIAL;
    for (kn_writer_begin(&w, pod->port, type); kn_writer_pass(&w);) {
        kn_put_u16(&w, s->sequence);
        kn_put_u32(&w, s->frame_tick);
        kn_put_u16(&w, s->frame_averaging);
        kn_put_u8(&w, s->samples);
        if (!whole) {
            kn_put_u8(&w, s->frame_rows);
        }
        kn_put_bytes(&w, s->data, s->length);
    }
    return taken(&w);
}

uint16_t kn_send_ack(kn_pod *pod, uint8_t token, uint8_t command, uint8_t code)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_ACK); kn_writer_pass(&w);) {
        kn_put_u8(&w, token);
        kn_put_u8(&w, command);
        kn_put_u8(&w, code);
    }
    return taken(&w);
}

static void put_settings(kn_writer *w, const kn_settings *settings, uint16_t offset, uint8_t length)
{
    uint8_t piece[SETTINGS_AT_ONCE];
    while (length > 0) {
        uint8_t count = length < SETTINGS_AT_ONCE ? length : SETTINGS_AT_ONCE;
        kn_settings_read(settings, offset, piece, count);
        kn_put_bytes(w, piece, count);
        offset = (uint16_t)(offset + count);
        length = (uint8_t)(length - count);
    }
}

uint16_t kn_send_settings(kn_pod *pod, uint8_t token, uint16_t offset, uint8_t length)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_SETTINGS_DATA); kn_writer_pass(&w);) {
        kn_put_u8(&w, token);
        kn_put_u16(&w, offset);
        put_settings(&w, &pod->settings, offset, length);
    }
    return taken(&w);
}

uint16_t kn_send_clock(kn_pod *pod, uint8_t token, uint32_t tick)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_CLOCK_REPLY); kn_writer_pass(&w);) {
        kn_put_u8(&w, token);
        kn_put_u32(&w, tick);
    }
    return taken(&w);
}

uint16_t kn_send_verdicts(kn_pod *pod, uint8_t token)
{
    kn_writer w;
    for (kn_writer_begin(&w, pod->port, KN_FRAME_SELF_TEST_REPLY); kn_writer_pass(&w);) {
        kn_put_u8(&w, token);
        kn_put_u8(&w, pod->table.shape.rows);
        for (uint8_t row = 0; row < pod->table.shape.rows; row++) {
            kn_put_u8(&w, kn_watch_verdict(pod, row));
        }
    }
    return taken(&w);
}

/* Bytes that the line carries until the sample frame is full. */
static uint32_t carried_until_full(const kn_pod *pod)
{
    const kn_sampler *s = &pod->sampler;
    uint8_t size = kn_sample_bytes(&pod->table.shape, KN_ALL_ROWS, pod->averaging);
    uint8_t count = kn_samples_per_frame(size, KN_BATCH_BYTES, pod->averaging, pod->raw_period,
                                         pod->port->tick_hz);
    uint8_t left = s->samples < count ? (uint8_t)(count - s->samples) : 0;
    uint32_t ticks = left * pod->averaging * pod->raw_period;
    uint32_t passes = ticks / (pod->port->tick_hz / PARTS_OF_SECOND);
    /* More than a second is as good as a second. */
    uint32_t parts = passes < PARTS_OF_SECOND ? passes : PARTS_OF_SECOND;
    return parts * (pod->baud / BITS_PER_BYTE_ON_LINE) / PARTS_OF_SECOND;
}

uint8_t kn_report_fits(const kn_pod *pod, uint16_t bytes)
{
    size_t room = pod->port->transmit_room(pod->port->self);
    if (room < bytes) {
        return 0;
    }
    return !pod->streaming || !pod->readings.on ||
           room - bytes + carried_until_full(pod) >= kn_sampler_frame_bytes(pod);
}
