/* What the files of the simulated board share. */
#ifndef SIM_BOARD_H
#define SIM_BOARD_H

#include "chip.h"
#include "pod.h"
#include "sim.h"

enum {
    SIM_KEPT_BYTES = 1024,
    SIM_QUEUE = 320,      /* sent by the core, not yet on the line */
    SIM_RECEIVED = 64,    /* off the line, not yet read by the core */
    SIM_TO_POD = 8192,    /* sent by the host, not yet on the line */
    SIM_FROM_POD = 262144 /* off the line, not yet fetched by the host */
};

#define SIM_NEVER UINT64_MAX

typedef struct sim_ring {
    uint8_t *bytes;
    size_t size;
    size_t first;
    size_t count;
} sim_ring;

struct sim_board {
    kn_pod pod;
    kn_port port;
    uint64_t now_ns;
    uint64_t tick_ns;
    uint32_t first_tick;
    int on;
    int in_interrupt;
    int locked;
    double value[SIM_VALUES];
    uint64_t step_at; /* next turn of the main loop without an interrupt */

    uint64_t due_at;
    uint32_t due_tick;

    sim_chip chip[2];
    int connected[2];
    kn_transfer *transfer;
    uint64_t transfer_at; /* when it ends */
    uint64_t analog_at;
    uint8_t analog_input;
    uint8_t conversions;
    double analog_rest;
    uint64_t supply_at;
    uint8_t kept[SIM_KEPT_BYTES];
    uint64_t keep_at;
    uint16_t keep_place;
    uint8_t keep_value;

    sim_ring queue;
    sim_ring received;
    sim_ring to_pod;
    sim_ring from_pod;
    uint32_t next_baud; /* 0: none asked for */
    uint64_t sent_at;   /* when the byte on the line has been sent */
    uint64_t arrived_at;

    int listening;
    int caliper_bit;    /* of the packet that is going out */
    uint32_t caliper_word;
    uint64_t caliper_at;
    uint64_t chatter_at;
};

/* clock.c */
uint64_t sim_ns_of(const sim_board *b, uint32_t tick);
/* Let the time that a port function takes pass, with the interrupts that come in it. */
void sim_spend(sim_board *b);
/* Earliest of the times at which something happens. */
uint64_t sim_next(const sim_board *b);
/* Everything that happens now. */
void sim_happen(sim_board *b);
void sim_wire_clock(kn_port *port);

/* bus.c */
void sim_end_transfer(sim_board *b);
void sim_wire_bus(kn_port *port);

/* inputs.c */
void sim_end_analog(sim_board *b);
void sim_end_supply(sim_board *b);
void sim_end_keep(sim_board *b);
void sim_wire_inputs(kn_port *port);

/* caliper_signal.c */
void sim_caliper_edge(sim_board *b);
void sim_chatter_edge(sim_board *b);
void sim_wire_caliper(kn_port *port);

/* line.c */
void sim_byte_sent(sim_board *b);
void sim_byte_arrived(sim_board *b);
uint64_t sim_byte_ns(const sim_board *b);
void sim_wire_line(kn_port *port);

/* ring.c */
int sim_ring_open(sim_ring *r, size_t size);
void sim_ring_close(sim_ring *r);
size_t sim_ring_room(const sim_ring *r);
void sim_ring_put(sim_ring *r, uint8_t byte);
uint8_t sim_ring_take(sim_ring *r);

#endif
