/* Short forms of what the core asks of the port most often. */
#ifndef KN_ACCESS_H
#define KN_ACCESS_H

#include <stddef.h>
#include <stdint.h>

#include "port.h"

/* [isr] The tick now. */
uint32_t kn_now(const kn_port *port);

/* [isr] The ticks since another tick. */
uint32_t kn_since(const kn_port *port, uint32_t tick);

uint8_t kn_lock(const kn_port *port);
void kn_unlock(const kn_port *port, uint8_t state);

/* Bytes that may be sent now. */
size_t kn_room(const kn_port *port);

#endif
