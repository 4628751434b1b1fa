#include "access.h"

uint32_t kn_now(const kn_port *port)
{
    return port->now(port->self);
}

uint32_t kn_since(const kn_port *port, uint32_t tick)
{
    return kn_now(port) - tick;
}

uint8_t kn_lock(const kn_port *port)
{
    return port->lock(port->self);
}

void kn_unlock(const kn_port *port, uint8_t state)
{
    port->unlock(port->self, state);
}

size_t kn_room(const kn_port *port)
{
    return port->transmit_room(port->self);
}
