/* Checks for the C tests: each failure is printed and counted, the rest of the test runs on. */
#ifndef CHECK_H
#define CHECK_H

#include <stdint.h>
#include <stdio.h>

extern unsigned check_count;
extern unsigned check_failures;

#define CHECK(condition) check_true((condition) != 0, #condition, __FILE__, __LINE__)
#define CHECK_EQUAL(got, wanted) \
    check_equal((long long)(got), (long long)(wanted), #got, __FILE__, __LINE__)

void check_true(int good, const char *what, const char *file, int line);
void check_equal(long long got, long long wanted, const char *what, const char *file, int line);

/* Name the case that the next checks belong to. */
void check_case(const char *name, long long number);

/* Print the sum; exit code of main(). */
int check_result(void);

#endif
