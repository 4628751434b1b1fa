/* The numbers of docs/protocol.md that more than one file of the core uses. */
#ifndef KN_PROTOCOL_H
#define KN_PROTOCOL_H

/* Frame types from pod to host. */
enum kn_frame_type {
    KN_FRAME_HELLO = 0x01,
    KN_FRAME_SAMPLES = 0x02,
    KN_FRAME_STATUS = 0x03,
    KN_FRAME_FAULT = 0x04,
    KN_FRAME_ACK = 0x05,
    KN_FRAME_SETTINGS_DATA = 0x06,
    KN_FRAME_CLOCK_REPLY = 0x07,
    KN_FRAME_SELF_TEST_REPLY = 0x08,
    KN_FRAME_BUTTON = 0x09,
    KN_FRAME_SAMPLES_PARTIAL = 0x0A
};

/* Frame types from host to pod. */
enum kn_command {
    KN_COMMAND_FIRST = 0x41,
    KN_COMMAND_HELLO = 0x41,
    KN_COMMAND_START = 0x42,
    KN_COMMAND_STOP = 0x43,
    KN_COMMAND_SET_RATE = 0x44,
    KN_COMMAND_SETTINGS_READ = 0x45,
    KN_COMMAND_SETTINGS_WRITE = 0x46,
    KN_COMMAND_CLOCK = 0x47,
    KN_COMMAND_CUE = 0x48,
    KN_COMMAND_SELF_TEST = 0x49,
    KN_COMMAND_STATUS = 0x4A,
    KN_COMMAND_LAST = 0x7F
};

enum kn_ack {
    KN_ACK_OK = 0,
    KN_ACK_UNKNOWN_COMMAND = 1,
    KN_ACK_BAD_LENGTH = 2,
    KN_ACK_BAD_VALUE = 3,
    KN_ACK_BUSY = 4,
    KN_ACK_SETTINGS_FAULT = 5
};

enum kn_fault {
    KN_FAULT_NONE = 0,
    KN_FAULT_SENSOR_MISSING = 1,
    KN_FAULT_SENSOR_STUCK = 2,
    KN_FAULT_SENSOR_RANGE = 3,
    KN_FAULT_BUS = 4,
    KN_FAULT_OVERRUN = 5,
    KN_FAULT_DROPPED = 6,
    KN_FAULT_SETTINGS = 7,
    KN_FAULT_SUPPLY_LOW = 8,
    KN_FAULT_CLOCK = 9,
    KN_FAULT_SELF_TEST = 10,
    KN_FAULT_SENSOR_IDENTITY = 11,
    KN_FAULT_CODES = 12
};

enum {
    KN_BODY_LONGEST = 250,         /* type, payload and CRC */
    KN_PAYLOAD_LONGEST = 247,
    KN_COMMAND_BODY_LONGEST = 134, /* of a command */
    KN_SAMPLES_HEAD = 9,           /* payload bytes before the numbers of SAMPLES */
    KN_FRAME_OVERHEAD = 6,         /* delimiters, stuffing, type, CRC */
    KN_TEXT_LONGEST = 24,          /* hardware id and name */
    KN_CHANNELS_LONGEST = 8,
    KN_CHANNEL_ROW = 20,           /* bytes of one row of the channel table */
    KN_AVERAGING_LARGEST = 4096,
    KN_SETTINGS_BYTES = 256,
    KN_SETTINGS_PIECE = 128,
    KN_WHOLE_POD = 255             /* the channel of a fault that is no channel's */
};

#endif
