#include "check.h"

unsigned check_count;
unsigned check_failures;

static const char *case_name = "";
static long long case_number;

void check_case(const char *name, long long number)
{
    case_name = name;
    case_number = number;
}

void check_true(int good, const char *what, const char *file, int line)
{
    check_count++;
    if (!good) {
        check_failures++;
        printf("%s:%d: not so: %s (%s %lld)\n", file, line, what, case_name, case_number);
    }
}

void check_equal(long long got, long long wanted, const char *what, const char *file, int line)
{
    check_count++;
    if (got != wanted) {
        check_failures++;
        printf("%s:%d: %s is %lld, not %lld (%s %lld)\n", file, line, what, got, wanted, case_name,
               case_number);
    }
}

int check_result(void)
{
    printf("%u checks, %u failed\n", check_count, check_failures);
    return check_failures == 0 && check_count != 0 ? 0 : 1;
}
