/* Figures: MPU-6050 register map rev 4.2, from memory; data sheet rev 3.3. */
#include "mpu6050.h"

#define DRIVER(function) kn_mpu6050##function
#define CHANNELS 7
#include "driver_steps.h"

static void test_settings(void)
{
    /* Widest low-pass (CONFIG: 184 94 44 21 10 5 Hz) that is at most a quarter of the rate. */
    static const struct {
        uint16_t rate_hz;
        uint8_t config;
    } row[] = {{1000, 1}, {736, 1}, {735, 2}, {500, 2}, {375, 3}, {200, 3}, {176, 3},
               {175, 4},  {100, 4}, {50, 5},  {40, 5},  {39, 6},  {10, 6}};
    for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
        sim_chip chip;
        sim_mpu6050(&chip);
        check_case("rate", row[i].rate_hz);
        CHECK_EQUAL(set_up(&chip, row[i].rate_hz), KN_OK);
        CHECK_EQUAL(chip.registers[0x6B] & 0x40, 0);
        CHECK_EQUAL(chip.registers[0x6B] & 0x07, 1);
        CHECK_EQUAL(chip.registers[0x19], 0);
        CHECK_EQUAL(chip.registers[0x1A], row[i].config);
        CHECK_EQUAL(chip.registers[0x1B], 0);
        CHECK_EQUAL(chip.registers[0x1C], 0);
    }
}

static void test_values(void)
{
    sim_chip chip;
    int32_t value[7];
    sim_mpu6050(&chip);
    check_case("values", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    CHECK_EQUAL(value[0], 4096);  /* 0.25 g at 16384 counts per g */
    CHECK_EQUAL(value[1], 0);
    CHECK_EQUAL(value[2], -8192);
    CHECK_EQUAL(value[3], -521);  /* at 35 degrees Celsius, data sheet */
    CHECK_EQUAL(value[4], 1310);  /* 10 deg/s at 131 */
    CHECK_EQUAL(value[5], -2620);
    CHECK_EQUAL(value[6], 0);
    const kn_channel *row = kn_mpu6050_channels;
    CHECK(row[0].scale * 16384.0f == 1.0f);
    CHECK(row[1].scale * 131.0f > 0.999f && row[1].scale * 131.0f < 1.001f);
    float celsius = row[2].offset + row[2].scale * -521.0f;
    CHECK(celsius > 34.999f && celsius < 35.001f);
}

static void test_extremes(void)
{
    sim_chip chip;
    int32_t value[7];
    sim_mpu6050(&chip);
    check_case("extremes", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    chip.g[0] = 3.0;
    chip.g[1] = -3.0;
    chip.dps[2] = 1000.0;
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    CHECK_EQUAL(value[0], 32767);
    CHECK_EQUAL(value[1], -32768);
    CHECK_EQUAL(value[6], 32767);
}

static void test_the_last_finished_reading_stays(void)
{
    sim_chip chip;
    kn_transfer t = {0};
    int32_t value[7];
    sim_mpu6050(&chip);
    check_case("two buffers", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    chip.g[0] = 0.5;
    kn_mpu6050_read(&driver, &t); /* the next one is under way, then fails */
    sim_chip_transfer(&chip, &t);
    CHECK_EQUAL(kn_mpu6050_decode(&driver, value), KN_OK);
    CHECK_EQUAL(value[0], 4096);
    kn_mpu6050_read(&driver, &t);
    sim_chip_transfer(&chip, &t);
    CHECK_EQUAL(kn_mpu6050_decode(&driver, value), KN_OK);
    CHECK_EQUAL(value[0], 4096);
    kn_mpu6050_finish(&driver);
    CHECK_EQUAL(kn_mpu6050_decode(&driver, value), KN_OK);
    CHECK_EQUAL(value[0], 8192);
}

static void test_not_acknowledged(void)
{
    sim_chip chip;
    sim_mpu6050(&chip);
    set_up(&chip, 200);
    int transfers = chip.transfers;
    check_case("transfers of a set-up", transfers);
    CHECK(transfers >= 5);
    int faults = 0;
    for (int transfer = 0; transfer < transfers; transfer++) {
        for (int byte = 0; byte < 6; byte++) {
            sim_mpu6050(&chip);
            chip.nack_transfer = transfer;
            chip.nack_byte = byte;
            int8_t result = set_up(&chip, 200);
            check_case("not acknowledged", 10 * transfer + byte);
            if (result == KN_OK) {
                CHECK(byte > 1); /* this transfer was shorter */
                continue;
            }
            faults++;
            CHECK(result == KN_E_NACK || result == KN_E_NO_ANSWER);
            CHECK_EQUAL(chip.transfers, transfer + 1); /* nothing more was sent */
            CHECK_EQUAL(set_up(&chip, 200), KN_OK);
        }
    }
    CHECK(faults >= 3 * transfers);
}

static void test_identity(void)
{
    for (int identity = 0; identity < 256; identity++) {
        sim_chip chip;
        sim_mpu6050(&chip);
        chip.registers[0x75] = (uint8_t)identity;
        check_case("identity", identity);
        CHECK_EQUAL(set_up(&chip, 200), identity == 0x68 ? KN_OK : KN_E_IDENTITY);
        if (identity != 0x68) {
            CHECK_EQUAL(chip.written, 0); /* nothing is written into an unknown part */
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
    sim_mpu6050(&chip);
    chip.on_write = drop_writes;
    check_case("takes no setting", 0);
    CHECK_EQUAL(set_up(&chip, 200), KN_E_DAMAGED);
}

static void test_vanishes(void)
{
    sim_chip chip;
    int32_t value[7];
    sim_mpu6050(&chip);
    check_case("vanishes", 0);
    chip.gone = 1;
    CHECK_EQUAL(set_up(&chip, 200), KN_E_NO_ANSWER);
    chip.gone = 0;
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    chip.gone = 1;
    CHECK_EQUAL(reading(&chip, value), KN_E_NO_ANSWER);
    sim_mpu6050(&chip); /* its power came back: asleep, all 00 */
    CHECK_EQUAL(reading(&chip, value), KN_E_NO_ANSWER);
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    CHECK_EQUAL(reading(&chip, value), KN_OK);
    CHECK_EQUAL(value[0], 4096);
    /* Gone in the middle of a reading: nobody pulls the line low from there on. */
    uint8_t *raw = &driver.memory[driver.finished * KN_MPU6050_BURST];
    for (uint8_t i = KN_MPU6050_BURST; i > 0; i--) {
        raw[i - 1] = 0xFF;
        check_case("gone from byte", i - 1);
        CHECK_EQUAL(kn_mpu6050_decode(&driver, value), KN_E_NO_ANSWER);
    }
    raw[KN_MPU6050_BURST - 1] = 0x00; /* every number may be -1 */
    CHECK_EQUAL(kn_mpu6050_decode(&driver, value), KN_OK);
    CHECK_EQUAL(value[0], -1);
    CHECK_EQUAL(value[6], -1);
}

static void test_self_test(void)
{
    static const struct {
        double answer;
        int good;
    } row[] = {{1.0, 1},  {0.87, 1}, {1.13, 1},  {0.85, 0}, {1.15, 0},
               {0.0, 0},  {-1.0, 0}, {0.5, 0},   {2.0, 0}};
    for (int axis = 0; axis < 6; axis++) {
        for (unsigned i = 0; i < sizeof row / sizeof row[0]; i++) {
            sim_chip chip;
            int32_t value[7];
            sim_mpu6050(&chip);
            CHECK_EQUAL(set_up(&chip, 200), KN_OK);
            chip.answer[axis] = row[i].answer;
            check_case("answer of axis, percent", 1000 * axis + (int)(100.0 * row[i].answer));
            CHECK_EQUAL(self_test(&chip), row[i].good ? KN_OK : KN_E_VALUE);
            CHECK_EQUAL(driver.failed, row[i].good ? 0 : axis < 3 ? 0x01 : 0x10);
            CHECK_EQUAL(reading(&chip, value), KN_OK); /* the settings are back */
            CHECK_EQUAL(value[0], 4096);
            CHECK_EQUAL(chip.registers[0x1C], 0);
        }
    }
}

static int8_t self_test_answering(const uint8_t codes[6], double answer)
{
    sim_chip chip;
    sim_mpu6050(&chip);
    sim_mpu6050_trim(&chip, codes);
    for (int axis = 0; axis < 6; axis++) {
        chip.answer[axis] = answer;
    }
    CHECK_EQUAL(set_up(&chip, 200), KN_OK);
    return self_test(&chip);
}

static void test_every_trim(void)
{
    for (uint8_t code = 1; code < 32; code++) {
        const uint8_t codes[6] = {code, code, code, code, code, code};
        check_case("trim code", code);
        CHECK_EQUAL(self_test_answering(codes, 1.0), KN_OK);
        CHECK_EQUAL(self_test_answering(codes, 0.865), KN_OK);
        CHECK_EQUAL(self_test_answering(codes, 1.135), KN_OK);
        CHECK_EQUAL(self_test_answering(codes, 0.855), KN_E_VALUE);
        CHECK_EQUAL(driver.failed, 0x11);
        CHECK_EQUAL(self_test_answering(codes, 1.145), KN_E_VALUE);
        CHECK_EQUAL(driver.failed, 0x11);
    }
    /* Without a trim the simulated chip answers like one of code 10: any chip's span is allowed. */
    const uint8_t none[6] = {0};
    check_case("no trim", 0);
    CHECK_EQUAL(self_test_answering(none, 1.0), KN_OK);
    CHECK_EQUAL(self_test_answering(none, 0.0), KN_E_VALUE);
    CHECK_EQUAL(self_test_answering(none, 5.0), KN_E_VALUE);
    CHECK_EQUAL(driver.failed, 0x11);
}

static void test_self_test_not_acknowledged(void)
{
    for (int transfer = 0; transfer < 5; transfer++) {
        sim_chip chip;
        sim_mpu6050(&chip);
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
    test_extremes();
    test_the_last_finished_reading_stays();
    test_not_acknowledged();
    test_identity();
    test_deaf();
    test_vanishes();
    test_self_test();
    test_every_trim();
    test_self_test_not_acknowledged();
    return check_result();
}
