/* Error codes of the core: 0 is success, errors are negative, KN_PENDING is "not yet". */
#ifndef KN_ERRORS_H
#define KN_ERRORS_H

enum kn_result {
    KN_OK = 0,
    KN_PENDING = 1,      /* under way: ask again */
    KN_E_NO_ANSWER = -1, /* nobody acknowledged the address on the bus */
    KN_E_NACK = -2,      /* the sensor did not acknowledge a data byte */
    KN_E_BUS = -3,       /* arbitration lost, an illegal state, or a line held low */
    KN_E_TIMEOUT = -4,   /* the transfer did not end in time */
    KN_E_IDENTITY = -5,  /* another part answers than the one expected */
    KN_E_VALUE = -6,     /* an argument is out of range */
    KN_E_BUSY = -7,      /* not possible now */
    KN_E_FULL = -8,      /* no room */
    KN_E_DAMAGED = -9    /* a check (CRC, length, version) failed */
};

#endif
