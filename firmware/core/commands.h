/* Carries out the host's commands, one at a time. */
#ifndef KN_COMMANDS_H
#define KN_COMMANDS_H

#include <stdint.h>

struct kn_pod;

typedef struct kn_commands {
    uint8_t waiting;   /* whether a command is in the receiver's buffer */
    uint8_t inside;    /* whether a frame that is thrown away meanwhile has begun */
    uint8_t under_way; /* one that takes long and has been begun: its type, else 0 */
    uint32_t tick;     /* when its last byte was read */
} kn_commands;

/* Take what has been received and carry out what is complete. Returns 1 if there is more to
 * do at once. */
uint8_t kn_commands_step(struct kn_pod *pod);

#endif
