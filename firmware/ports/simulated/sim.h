/* A simulated board: the core, whole, with everything around it made of memory. Time is
 * simulated too and passes only in sim_run(), so what happens is the same each time. Any number of
 * boards may exist at once; one board belongs to one thread.
 *
 * The part between the two marks is read by Python as well (see library/rules.mk): plain
 * declarations, no macros. */
#ifndef SIM_H
#define SIM_H

#include <stddef.h>
#include <stdint.h>

/* begin of the declarations */
typedef struct sim_board sim_board;

enum sim_part { SIM_MPU6050 = 0, SIM_ADXL355 = 1 };

/* What sim_get() and sim_set() reach; [get] can only be read. */
enum sim_value {
    SIM_LIGHT,           /* [get] 0 or 1 */
    SIM_TONE_HZ,         /* [get] 0: silent */
    SIM_BAUD,            /* [get] of the line now */
    SIM_ALIVE,           /* [get] how often the main loop has shown that it lives */
    SIM_LOST_TO_POD,     /* [get] bytes that overran the receive queue of 64 bytes */
    SIM_LOST_FROM_POD,   /* [get] bytes that nobody fetched with sim_fetch() */
    SIM_OVERFILLED,      /* [get] bytes the core queued without room: must stay 0 */
    SIM_LOCKED,          /* [get] depth of lock(): must be 0 outside of sim_run() */
    SIM_READS,           /* [get] readings begun: alarms fired */
    SIM_BUS_TRANSFERS,   /* [get] */
    SIM_BUS_RECOVERIES,  /* [get] */
    SIM_KEEP_WRITES,     /* [get] bytes written into the kept memory */
    SIM_BUTTON,          /* 1: pressed */
    SIM_SUPPLY_MV,
    SIM_ANALOG_CONNECTED,
    SIM_ANALOG_COUNTS,   /* of one conversion, 0 to 1023; fractions are dithered as noise would */
    SIM_SDA_STUCK,       /* clock pulses that free the line; 0: free, 255: none ever do */
    SIM_CALIPER_COUNTS,  /* of 0.01 mm, or of 0.0005 in: what the caliper shows */
    SIM_CALIPER_INCH,
    SIM_CALIPER_HZ,      /* packets a second; 0: switched off */
    SIM_CALIPER_BITS,    /* of a packet; 24 unless a fault is wanted */
    SIM_CHATTER_HZ,      /* edges a second on the caliper's clock; 0: none */
    SIM_PREEMPT_NS,      /* time that passes at each port function the main loop calls, during
                            which interrupts come; 0: the main loop takes no time */
    SIM_VALUES
};

/* A board without power, its kept memory erased, nothing connected. `tick_hz` must divide 1e9 and
 * be a whole number of kHz; `first_tick` is what the tick shows at the first start. NULL if it is
 * not so, or without memory. */
sim_board *sim_new(uint32_t tick_hz, uint32_t first_tick);
void sim_free(sim_board *b);

/* Power comes, or a reset: `cause` is one of enum kn_reset_cause. */
void sim_start(sim_board *b, uint8_t cause);

/* Power goes. A byte of the kept memory that is just being written becomes `torn`. */
void sim_stop(sim_board *b, uint8_t torn);

/* Let time pass. */
void sim_run(sim_board *b, uint64_t ns);

/* Let time pass in which the program stands still, as when the computer sleeps. */
void sim_skip(sim_board *b, uint64_t ns);

/* Time since sim_new(). */
uint64_t sim_now_ns(const sim_board *b);
uint32_t sim_tick(const sim_board *b);

/* Bytes towards the pod: they arrive at the line's rate while time passes. Returns how many were
 * taken. */
size_t sim_send(sim_board *b, const uint8_t *data, size_t length);

/* How many of `wanted` bytes sim_send() would take now. */
size_t sim_send_room(const sim_board *b, size_t wanted);

/* Bytes that the pod has sent; returns how many. */
size_t sim_fetch(sim_board *b, uint8_t *into, size_t size);

double sim_get(const sim_board *b, int value);
/* 0, or -1 if `value` cannot be set. */
int sim_set(sim_board *b, int value, double to);

/* The kept memory, 1024 bytes. */
uint8_t *sim_kept(sim_board *b);

/* Sensors on the bus, by enum sim_part. A connected one has just got its power. */
void sim_connect(sim_board *b, int part, int connected);
/* What both measure. */
void sim_motion(sim_board *b, const double g[3], const double dps[3], double celsius);
/* Standard deviation of one reading of each axis. */
void sim_noise(sim_board *b, int part, double g, double dps, uint64_t seed);
/* Its output registers keep what they hold. */
void sim_freeze(sim_board *b, int part, int frozen);
/* Not acknowledged: byte `byte` (0 the address) of the transfer after `later` others. */
void sim_nack(sim_board *b, int part, int later, int byte);
/* Its answers to the self-test, 1 as the data sheet says, by axis, accelerometer first. */
void sim_self_test_answer(sim_board *b, int part, int axis, double answer);
uint8_t sim_register(const sim_board *b, int part, uint8_t at);
void sim_set_register(sim_board *b, int part, uint8_t at, uint8_t value);

/* An edge of the caliper's clock now, with its data. */
void sim_edge(sim_board *b, uint8_t data);
/* end of the declarations */

#endif
