#include "commands.h"

#include "access.h"
#include "bytes.h"
#include "errors.h"
#include "flash.h"
#include "pod.h"
#include "rates.h"
#include "reports.h"

/* Received bytes looked at in one turn of the main loop. */
#define BYTES_AT_ONCE 16

/* Where things are in a received frame, and the arguments' lengths. */
enum {
    TYPE_AT = 0,
    TOKEN_AT = 1,
    ARGUMENTS_AT = 2,
    SET_RATE_BYTES = 6,
    READ_BYTES = 3,
    WRITE_HEAD = 2,
    CUE_BYTES = 1
};

enum {
    ACK_BYTES = KN_FRAME_OVERHEAD + 3,
    STATUS_BYTES = KN_FRAME_OVERHEAD + 24,
    CLOCK_BYTES = KN_FRAME_OVERHEAD + 5,
    VERDICTS_BYTES = KN_FRAME_OVERHEAD + 2 + KN_ROWS,
    SETTINGS_DATA_BYTES = KN_FRAME_OVERHEAD + 3 + KN_SETTINGS_PIECE
};

static uint8_t type_of(const kn_pod *pod)
{
    return pod->receiver.frame[TYPE_AT];
}

static uint8_t token_of(const kn_pod *pod)
{
    return pod->receiver.frame[TOKEN_AT];
}

static const uint8_t *arguments(const kn_pod *pod)
{
    return pod->receiver.frame + ARGUMENTS_AT;
}

static uint8_t arguments_length(const kn_pod *pod)
{
    return (uint8_t)(pod->receiver.length - ARGUMENTS_AT);
}

static void spend(kn_pod *pod, uint16_t bytes)
{
    if (pod->streaming) {
        kn_throttle_spend(&pod->throttle, bytes);
    }
}

static void acknowledge(kn_pod *pod, uint8_t code)
{
    spend(pod, kn_send_ack(pod, token_of(pod), type_of(pod), code));
}

/* What a command needs: the length of its arguments, and the room that its reply may take.
 * SETTINGS_WRITE takes any length from 3 to 130. */
typedef struct need {
    uint8_t length;
    uint8_t room;
} need;

enum { WITH_HELLO = 0xFF, ANY_LENGTH = 0xFF };

static const need needs[] KN_FLASH = {
    /* HELLO */ {0, WITH_HELLO},
    /* START */ {0, WITH_HELLO},
    /* STOP */ {0, ACK_BYTES},
    /* SET_RATE */ {SET_RATE_BYTES, WITH_HELLO},
    /* SETTINGS_READ */ {READ_BYTES, SETTINGS_DATA_BYTES},
    /* SETTINGS_WRITE */ {ANY_LENGTH, ACK_BYTES},
    /* CLOCK */ {0, CLOCK_BYTES},
    /* CUE */ {CUE_BYTES, ACK_BYTES},
    /* SELF_TEST */ {0, ACK_BYTES},
    /* STATUS */ {0, STATUS_BYTES + ACK_BYTES},
};

static uint8_t known(const kn_pod *pod)
{
    return type_of(pod) <= KN_COMMAND_STATUS;
}

static uint16_t reply_bytes(const kn_pod *pod)
{
    if (!known(pod)) {
        return ACK_BYTES;
    }
    uint8_t room = kn_flash_byte(&needs[type_of(pod) - KN_COMMAND_FIRST].room);
    return (uint16_t)(room == WITH_HELLO ? kn_hello_bytes(pod) + ACK_BYTES : room);
}

static uint8_t length_good(const kn_pod *pod)
{
    uint8_t length = arguments_length(pod);
    uint8_t needed = kn_flash_byte(&needs[type_of(pod) - KN_COMMAND_FIRST].length);
    return needed == ANY_LENGTH ? length > WRITE_HEAD && length <= WRITE_HEAD + KN_SETTINGS_PIECE
                                : length == needed;
}

static void hello(kn_pod *pod)
{
    spend(pod, kn_send_hello(pod));
    acknowledge(pod, KN_ACK_OK);
}

static void start(kn_pod *pod)
{
    if (pod->table.shape.rows == 0) {
        acknowledge(pod, KN_ACK_BUSY);
        return;
    }
    uint8_t begins = !pod->streaming;
    kn_pod_stream(pod);
    acknowledge(pod, KN_ACK_OK);
    spend(pod, kn_send_hello(pod));
    if (begins) {
        kn_throttle_fill(&pod->throttle);
    }
}

static void stop(kn_pod *pod)
{
    kn_pod_stop(pod);
    acknowledge(pod, KN_ACK_OK);
}

static void set_rate(kn_pod *pod)
{
    uint32_t raw_period = kn_get_u32(arguments(pod));
    uint16_t averaging = kn_get_u16(arguments(pod) + 4);
    if (kn_rates_set(pod, raw_period, averaging) == KN_OK) {
        hello(pod);
    } else {
        acknowledge(pod, KN_ACK_BAD_VALUE);
    }
}

static void settings_read(kn_pod *pod)
{
    uint16_t offset = kn_get_u16(arguments(pod));
    uint8_t length = arguments(pod)[2];
    if (length == 0 || length > KN_SETTINGS_PIECE || offset >= KN_SETTINGS_BYTES ||
        length > KN_SETTINGS_BYTES - offset) {
        acknowledge(pod, KN_ACK_BAD_VALUE);
        return;
    }
    spend(pod, kn_send_settings(pod, token_of(pod), offset, length));
}

static void settings_write(kn_pod *pod)
{
    uint16_t offset = kn_get_u16(arguments(pod));
    uint8_t length = (uint8_t)(arguments_length(pod) - WRITE_HEAD);
    if (kn_settings_write(&pod->settings, offset, arguments(pod) + WRITE_HEAD, length) == KN_OK) {
        pod->commands.under_way = KN_COMMAND_SETTINGS_WRITE;
    } else {
        acknowledge(pod, KN_ACK_BAD_VALUE);
    }
}

static void self_test(kn_pod *pod)
{
    if (pod->streaming) {
        acknowledge(pod, KN_ACK_BUSY);
        return;
    }
    kn_watch_self_test(pod);
    pod->commands.under_way = KN_COMMAND_SELF_TEST;
}

static void carry_out(kn_pod *pod)
{
    switch (type_of(pod)) {
    case KN_COMMAND_HELLO:
        hello(pod);
        break;
    case KN_COMMAND_START:
        start(pod);
        break;
    case KN_COMMAND_STOP:
        stop(pod);
        break;
    case KN_COMMAND_SET_RATE:
        set_rate(pod);
        break;
    case KN_COMMAND_SETTINGS_READ:
        settings_read(pod);
        break;
    case KN_COMMAND_SETTINGS_WRITE:
        settings_write(pod);
        break;
    case KN_COMMAND_CLOCK:
        spend(pod, kn_send_clock(pod, token_of(pod), pod->commands.tick));
        break;
    case KN_COMMAND_CUE:
        acknowledge(pod, kn_cues_play(&pod->cues, arguments(pod)[0]) == KN_OK ? KN_ACK_OK
                                                                           : KN_ACK_BAD_VALUE);
        break;
    case KN_COMMAND_SELF_TEST:
        self_test(pod);
        break;
    default:
        spend(pod, kn_send_status(pod));
        acknowledge(pod, KN_ACK_OK);
        break;
    }
}

static void begin(kn_pod *pod)
{
    if (!known(pod)) {
        acknowledge(pod, KN_ACK_UNKNOWN_COMMAND);
    } else if (!length_good(pod)) {
        acknowledge(pod, KN_ACK_BAD_LENGTH);
    } else {
        carry_out(pod);
    }
}

static void go_on_writing(kn_pod *pod)
{
    if (!kn_report_fits(pod, ACK_BYTES)) {
        return;
    }
    int8_t result = kn_settings_step(&pod->settings);
    if (result == KN_PENDING) {
        return;
    }
    pod->commands.under_way = 0;
    acknowledge(pod, result == KN_OK ? KN_ACK_OK : KN_ACK_SETTINGS_FAULT);
    if (result == KN_OK && !kn_settings_blank(&pod->settings)) {
        kn_faults_set(&pod->faults, KN_FAULT_SETTINGS, 0);
    }
}

static void go_on_testing(kn_pod *pod)
{
    if (kn_watch_testing(pod) || !kn_report_fits(pod, VERDICTS_BYTES)) {
        return;
    }
    pod->commands.under_way = 0;
    spend(pod, kn_send_verdicts(pod, token_of(pod)));
}

/* Whether the waiting command may be carried out now. */
static uint8_t may_begin(kn_pod *pod)
{
    if (!kn_watch_looked(pod) || (pod->streaming && !kn_throttle_open(&pod->throttle))) {
        return 0;
    }
    if (type_of(pod) == KN_COMMAND_SELF_TEST && kn_watch_changing(pod)) {
        return 0;
    }
    /* These two end the sample frame, which is sent before the reply. */
    uint8_t ends_frame = type_of(pod) == KN_COMMAND_STOP || type_of(pod) == KN_COMMAND_SET_RATE;
    if (ends_frame && kn_sampler_send(pod) != KN_OK) {
        return 0;
    }
    return kn_report_fits(pod, reply_bytes(pod));
}

/* Carry on with the command in the receiver's buffer; its place is free once it is done. */
static void work(kn_pod *pod)
{
    if (pod->commands.under_way == KN_COMMAND_SETTINGS_WRITE) {
        go_on_writing(pod);
    } else if (pod->commands.under_way) {
        go_on_testing(pod);
    } else if (may_begin(pod)) {
        begin(pod);
    } else {
        return;
    }
    if (!pod->commands.under_way) {
        pod->commands.waiting = 0;
        kn_receiver_done(&pod->receiver);
        /* The rest of a frame whose beginning was thrown away is thrown away too. */
        pod->receiver.too_long = pod->commands.inside;
        pod->receiver.length = pod->commands.inside;
    }
}

static void receive(kn_pod *pod, uint8_t byte)
{
    kn_commands *c = &pod->commands;
    if (c->waiting) {
        if (byte == 0 && c->inside) {
            pod->bad_frames++;
        }
        c->inside = byte != 0;
        return;
    }
    int8_t result = kn_receiver_take(&pod->receiver, byte);
    if (result == KN_PENDING) {
        return;
    }
    if (result == KN_OK && pod->receiver.length > TOKEN_AT && type_of(pod) >= KN_COMMAND_FIRST &&
        type_of(pod) <= KN_COMMAND_LAST) {
        c->tick = kn_now(pod->port);
        c->waiting = 1;
        c->inside = 0;
        return;
    }
    pod->bad_frames++;
    kn_receiver_done(&pod->receiver);
}

uint8_t kn_commands_step(kn_pod *pod)
{
    for (uint8_t i = 0; i < BYTES_AT_ONCE; i++) {
        uint8_t byte;
        if (pod->port->receive(pod->port->self, &byte, 1) == 0) {
            break;
        }
        receive(pod, byte);
        if (pod->commands.waiting && !pod->commands.under_way) {
            work(pod);
        }
        if (i == BYTES_AT_ONCE - 1) {
            return 1;
        }
    }
    if (pod->commands.waiting) {
        work(pod);
    }
    return pod->commands.under_way == KN_COMMAND_SETTINGS_WRITE;
}
