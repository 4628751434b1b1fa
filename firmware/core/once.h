/* For functions that many places call: without it the compiler, which sees the board's program
 * as a whole, copies the small ones into each place and so spends flash to save nothing. */
#ifndef KN_ONCE_H
#define KN_ONCE_H

#define KN_ONCE __attribute__((noinline))

#endif
