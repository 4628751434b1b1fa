#include "reports.h"

#include <string.h>

#include "access.h"
#include "bytes.h"
#include "flash.h"
#include "pod.h"
#include "version.h"
#include "writer.h"

enum { STATUS_PAYLOAD = 24, FAULT_PAYLOAD = 7, BUTTON_PAYLOAD = 5, CLOCK_PAYLOAD = 5 };

/* Fixed bytes of a hello's payload: up to the hardware id's text, and the three lengths. */
#define HELLO_FIXED 30
#define FLAG_STREAMING 1
#define SAMPLES_AROUND (KN_FRAME_OVERHEAD + KN_SAMPLES_HEAD)
#define CROWDED_MS 250
#define SETTINGS_AT_ONCE 16

_Static_assert(sizeof(float) == 4, "floats on the wire are IEEE 754 binary32");

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
    for (uint8_t i = 0; i < KN_IDENTITY_BYTES; i++) {
        kn_put_u8(w, kn_settings_identity(&pod->settings, i));
    }
    kn_put_u32(w, pod->port->tick_hz);
    kn_put_u32(w, pod->raw_period);
    kn_put_u16(w, pod->averaging);
    kn_put_u16(w, pod->least);
    kn_put_u8(w, hardware);
    kn_put_flash(w, pod->port->hardware, hardware);
    kn_put_u8(w, pod->settings.name_length);
    for (uint8_t i = 0; i < pod->settings.name_length; i++) {
        kn_put_u8(w, kn_settings_name(&pod->settings, i));
    }
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
    return kn_writer_sent(&w);
}

uint16_t kn_send_status(kn_pod *pod)
{
    uint8_t payload[STATUS_PAYLOAD];
    kn_set_u32(payload, kn_now(pod->port));
    kn_set_u32(payload + 4, pod->dropped);
    kn_set_u32(payload + 8, kn_readings_overruns(&pod->readings));
    kn_set_u32(payload + 12, pod->bus_errors);
    kn_set_u32(payload + 16, pod->bad_frames);
    kn_set_u32(payload + 20, kn_faults_bits(&pod->faults));
    return kn_write_frame(pod->port, KN_FRAME_STATUS, payload, sizeof payload);
}

uint16_t kn_send_fault(kn_pod *pod, uint8_t code, uint8_t channel, uint8_t present)
{
    uint8_t payload[FAULT_PAYLOAD] = {0, 0, 0, 0, code, channel, present};
    kn_set_u32(payload, kn_now(pod->port));
    return kn_write_frame(pod->port, KN_FRAME_FAULT, payload, sizeof payload);
}

uint16_t kn_send_button(kn_pod *pod)
{
    uint8_t payload[BUTTON_PAYLOAD] = {0, 0, 0, 0, pod->button.pressed};
    kn_set_u32(payload, pod->button.tick);
    return kn_write_frame(pod->port, KN_FRAME_BUTTON, payload, sizeof payload);
}

uint16_t kn_send_samples(kn_pod *pod)
{
    kn_writer w;
    const kn_sampler *s = &pod->sampler;
    uint8_t whole = s->frame_rows == (uint8_t)(kn_bit(pod->table.shape.rows) - 1);
    uint8_t type = whole ? KN_FRAME_SAMPLES : KN_FRAME_SAMPLES_PARTIAL;
    for (kn_writer_begin(&w, pod->port, type); kn_writer_pass(&w);) {
        kn_put_u16(&w, s->sequence);
        kn_put_u32(&w, s->frame_tick);
        kn_put_u16(&w, pod->averaging);
        kn_put_u8(&w, s->samples);
        if (!whole) {
            kn_put_u8(&w, s->frame_rows);
        }
        kn_put_bytes(&w, s->data, s->length);
    }
    return kn_writer_sent(&w);
}

uint16_t kn_send_ack(kn_pod *pod, uint8_t token, uint8_t command, uint8_t code)
{
    uint8_t payload[] = {token, command, code};
    return kn_write_frame(pod->port, KN_FRAME_ACK, payload, sizeof payload);
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
    return kn_writer_sent(&w);
}

uint16_t kn_send_clock(kn_pod *pod, uint8_t token, uint32_t tick)
{
    uint8_t payload[CLOCK_PAYLOAD] = {token};
    kn_set_u32(payload + 1, tick);
    return kn_write_frame(pod->port, KN_FRAME_CLOCK_REPLY, payload, sizeof payload);
}

uint16_t kn_send_verdicts(kn_pod *pod, uint8_t token)
{
    uint8_t rows = pod->table.shape.rows;
    uint8_t payload[2 + KN_ROWS] = {token, rows};
    for (uint8_t row = 0; row < rows; row++) {
        payload[2 + row] = kn_watch_verdict(pod, row);
    }
    return kn_write_frame(pod->port, KN_FRAME_SELF_TEST_REPLY, payload, (uint8_t)(2 + rows));
}

uint8_t kn_report_fits(kn_pod *pod, uint16_t bytes)
{
    if (pod->readings.on) {
        /* The line carries what the frame will grow by: so the averaging was chosen. */
        bytes = (uint16_t)(bytes + SAMPLES_AROUND + pod->sampler.length);
    }
    if (kn_room(pod->port) >= bytes) {
        return 1;
    }
    pod->crowded_ms = CROWDED_MS;
    return 0;
}
