#include "access.h"

#include "once.h"

KN_ONCE uint32_t kn_now(const kn_port *port)
{
    return port->now(port->self);
}

KN_ONCE uint32_t kn_since(const kn_port *port, uint32_t tick)
{
    return kn_now(port) - tick;
}

KN_ONCE uint8_t kn_lock(const kn_port *port)
{
    return port->lock(port->self);
}

KN_ONCE void kn_unlock(const kn_port *port, uint8_t state)
{
    port->unlock(port->self, state);
}

KN_ONCE size_t kn_room(const kn_port *port)
{
    return port->transmit_room(port->self);
}
