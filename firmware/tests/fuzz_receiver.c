/* Any bytes into the decoder of received bytes: what it gives out is a good frame by another
 * decoder's judgement, and the next good frame is always taken. */
#include <string.h>

#include "errors.h"
#include "fuzz.h"
#include "receiver.h"

static void check_taken(const kn_receiver *r, const uint8_t *stuffed, size_t size)
{
    uint8_t body[260];
    size_t length = 0;
    FUZZ_MUST(fuzz_unframe(stuffed, size, body, &length) == r->frame[0] || r->frame[0] == 0);
    FUZZ_MUST(length == r->length);
    FUZZ_MUST(memcmp(body, r->frame, length) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t command[] = {0x4A, 0x07};
    kn_receiver r;
    uint8_t good[300];
    size_t since = 0; /* where the bytes since the last delimiter begin */
    kn_receiver_reset(&r);
    for (size_t i = 0; i < size; i++) {
        const int8_t result = kn_receiver_take(&r, data[i]);
        if (result == KN_OK) {
            check_taken(&r, data + since, i - since);
            kn_receiver_done(&r);
        } else if (data[i] == 0 && i - since <= KN_COMMAND_BODY_LONGEST + 1 && i != since) {
            uint8_t body[260];
            size_t length = 0;
            FUZZ_MUST(result == KN_E_DAMAGED);
            fuzz_unframe(data + since, i - since, body, &length);
            FUZZ_MUST(length == 0);
        }
        since = data[i] == 0 ? i + 1 : since;
    }
    const size_t length = fuzz_frame(command, sizeof command, good);
    for (size_t i = 0; i < length; i++) {
        const int8_t result = kn_receiver_take(&r, good[i]);
        FUZZ_MUST((result == KN_OK) == (i + 1 == length) || i == 0);
        if (result == KN_OK && i == 0) {
            kn_receiver_done(&r);
        }
    }
    FUZZ_MUST(r.length == 2 && r.frame[0] == 0x4A && r.frame[1] == 0x07);
    return 0;
}
