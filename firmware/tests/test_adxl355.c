/* Figures: ADXL354/ADXL355 data sheet rev B, from memory. */
#include "adxl355.h"

#define DRIVER(function) kn_adxl355##function
#define CHANNELS 4
#include "driver_steps.h"

static void test_settings(void)
{
    /* Output rate 4000 Hz / 2^FILTER: the slowest that is not slower than the readings. */
    static const struct {
        uint16_t rate_hz;
        uint8_t filter;
    } row[] = {{4000, 0}, {1000, 2}, {501, 2}, {500, 3}, {251, 3}, {250, 4},
               {200, 4},  {126, 4},  {125, 5}, {62, 6},  {31, 7},  {15, 8}, {10, 8}};
    for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
        sim_chip chip;
        sim_adxl355(&chip);
        check_case("rate", row[i].rate_hz);
        CHECK_EQUAL(set_up(&chip, row[i].rate_hz), KN_OK);
        CHECK_EQUAL(chip.registers[0x28], row[i].filter);
        CHECK_EQUAL(chip.registers[0x2C] & 3, 1);
        CHECK_EQUAL(chip.registers[0x2D], 0);
        /* A chip that is measuring already is put into standby by its reset. */
        CHECK_EQUAL(set_up(&chip, 4000), KN_OK);
        CHECK_EQUAL(chip.registers[0x28], 0);
    }
}

static void test_values(void)
{
    sim_chip chip;
    int32_t value[4];
    sim_adxl355(&chip);
    check_case("values", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    CHECK_EQUAL(value[0], 64000); /* 0.25 g at 256000 counts per g */
    CHECK_EQUAL(value[1], 0);
    CHECK_EQUAL(value[2], -128000);
    CHECK_EQUAL(value[3], 1885); /* at 25 degrees Celsius */
    const kn_channel *row = kn_adxl355_channels;
    CHECK(row[0].scale * 256000.0f == 1.0f);
    CHECK(row[0].full_scale == 2.048f);
    float celsius = row[1].offset + row[1].scale * 1885.0f;
    CHECK(celsius > 24.99f && celsius < 25.01f);
    chip.celsius = 125.0;
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    celsius = row[1].offset + row[1].scale * (float)value[3];
    CHECK(celsius > 124.9f && celsius < 125.1f);
    chip.celsius = -40.0;
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    celsius = row[1].offset + row[1].scale * (float)value[3];
    CHECK(celsius > -40.1f && celsius < -39.9f);
}

static void test_sign_of_20_bits(void)
{
    static const struct {
        uint8_t byte[3];
        int32_t value;
    } row[] = {{{0x00, 0x00, 0x10}, 1},       {{0xFF, 0xFF, 0xF0}, -1},
               {{0x7F, 0xFF, 0xF0}, 524287},  {{0x80, 0x00, 0x00}, -524288},
               {{0x00, 0x10, 0x00}, 0x100},   {{0x01, 0x00, 0x00}, 0x1000},
               {{0x80, 0x00, 0x10}, -524287}, {{0x00, 0x00, 0x07}, 0}, /* low bits are not data */
               {{0xFF, 0x00, 0x07}, -4096}};
    int32_t value[4];
    uint8_t *raw = &driver.memory[driver.finished * KN_ADXL355_BURST];
    for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
        for (unsigned axis = 0; axis < 3; axis++) {
            check_case("row, axis", 10 * i + axis);
            for (unsigned b = 0; b < KN_ADXL355_BURST; b++) {
                raw[b] = 0;
            }
            raw[0] = 0xF7; /* the high half is not data */
            raw[1] = 0x5D;
            for (unsigned b = 0; b < 3; b++) {
                raw[2 + 3 * axis + b] = row[i].byte[b];
            }
            CHECK_EQUAL(kn_adxl355_decode(&driver, value), KN_OK);
            for (unsigned other = 0; other < 3; other++) {
                CHECK_EQUAL(value[other], other == axis ? row[i].value : 0);
            }
            CHECK_EQUAL(value[3], 0x75D);
        }
    }
}

static void test_not_acknowledged(void)
{
    sim_chip chip;
    sim_adxl355(&chip);
    set_up(&chip, 200);
    int transfers = chip.transfers;
    check_case("transfers of a set-up", transfers);
    CHECK(transfers >= 6);
    int faults = 0;
    for (int transfer = 0; transfer < transfers; transfer++) {
        for (int byte = 0; byte < 3; byte++) {
            sim_adxl355(&chip);
            chip.nack_transfer = transfer;
            chip.nack_byte = byte;
            check_case("not acknowledged", 10 * transfer + byte);
            int8_t result = set_up(&chip, 200);
            faults++;
            CHECK(result == KN_E_NACK || result == KN_E_NO_ANSWER);
            CHECK_EQUAL(chip.transfers, transfer + 1);
            CHECK_EQUAL(set_up(&chip, 200), KN_OK);
        }
    }
    CHECK_EQUAL(faults, 3 * transfers);
}

static void test_identity(void)
{
    for (uint8_t at = 0; at < 3; at++) {
        for (int bit = 0; bit < 8; bit++) {
            sim_chip chip;
            sim_adxl355(&chip);
            chip.registers[at] ^= (uint8_t)(1 << bit);
            check_case("identity bit", 8 * at + bit);
            CHECK_EQUAL(set_up(&chip, 200), KN_E_IDENTITY);
            CHECK_EQUAL(chip.written, 0);
        }
    }
}

static void drop_writes(sim_chip *chip, uint8_t at, uint8_t value)
{
    (void)chip;
    (void)at;
    (void)value;
}

static void test_deaf(void)
{
    sim_chip chip;
    sim_adxl355(&chip);
    chip.on_write = drop_writes;
    check_case("takes no setting", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_E_DAMAGED);
}

static void test_vanishes(void)
{
    sim_chip chip;
    int32_t value[4];
    sim_adxl355(&chip);
    check_case("vanishes", 0);
    chip.gone = 1;
    CHECK_EQUAL(set_up(&chip, 200), KN_E_NO_ANSWER);
    chip.gone = 0;
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    chip.gone = 1;
    CHECK_EQUAL(reading(&chip, value), KN_E_NO_ANSWER);
    sim_adxl355(&chip); /* its power came back: standby, all 00 */
    CHECK_EQUAL(reading(&chip, value), KN_E_NO_ANSWER);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    CHECK_EQUAL(value[0], 64000);
    /* Gone in the middle of a reading: nobody pulls the line low from there on. */
    uint8_t *raw = &driver.memory[driver.finished * KN_ADXL355_BURST];
    for (uint8_t i = KN_ADXL355_BURST; i > 0; i--) {
        raw[i - 1] = 0xFF;
        check_case("gone from byte", i - 1);
        CHECK_EQUAL(kn_adxl355_decode(&driver, value), KN_E_NO_ANSWER);
    }
}

static void test_self_test(void)
{
    /* Typical answers are 0.3, 0.3, 1.5 g; allowed 0.1 to 0.6 and 0.5 to 3.0 g. */
    static const struct {
        double answer;
        int good;
    } row[] = {{1.0, 1}, {0.34, 1}, {1.99, 1}, {0.32, 0}, {2.01, 0}, {0.0, 0}, {-1.0, 0}};
    for (int axis = 0; axis < 3; axis++) {
        for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
            sim_chip chip;
            int32_t value[4];
            sim_adxl355(&chip);
            chip.g[2] = 1.0; /* with the change of z more than +-2 g */
            CHECK_EQUAL(set_up(&chip, 200), KN_OK);
            chip.answer[axis] = row[i].answer;
            check_case("answer of axis, percent", 1000 * axis + (int)(100.0 * row[i].answer));
            CHECK_EQUAL(self_test(&chip), row[i].good ? KN_OK : KN_E_VALUE);
            CHECK_EQUAL(driver.failed, row[i].good ? 0 : 1);
            CHECK_EQUAL(chip.registers[0x2E], 0);
            CHECK_EQUAL(reading(&chip, value), KN_OK); /* the settings are back */
            CHECK_EQUAL(value[0], 64000);
            CHECK_EQUAL(chip.registers[0x2C] & 3, 1);
        }
    }
}

static void test_self_test_not_acknowledged(void)
{
    for (int transfer = 0; transfer < 9; transfer++) {
        sim_chip chip;
        sim_adxl355(&chip);
        CHECK_EQUAL(set_up(&chip, 200), KN_OK);
        chip.nack_transfer = chip.transfers + transfer;
        chip.nack_byte = 1;
        check_case("self-test not acknowledged", transfer);
        CHECK_EQUAL(self_test(&chip), KN_E_NACK);
        CHECK_EQUAL(set_up(&chip, 200), KN_OK);
        CHECK_EQUAL(self_test(&chip), KN_OK);
    }
}

int main(void)
{
    test_settings();
    test_values();
    test_sign_of_20_bits();
    test_not_acknowledged();
    test_identity();
    test_deaf();
    test_vanishes();
    test_self_test();
    test_self_test_not_acknowledged();
    return check_result();
}
