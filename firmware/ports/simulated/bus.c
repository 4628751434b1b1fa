/* The sensor bus at 400 kHz with the two chips on it. */
#include "board.h"
#include "errors.h"

enum { BIT_NS = 2500, NEVER_FREED = 255, PULSES = 9 };

static int8_t bus_start(void *self, kn_transfer *transfer)
{
    sim_board *b = self;
    if (b->transfer != NULL) {
        return KN_E_BUSY;
    }
    b->value[SIM_BUS_TRANSFERS] += 1;
    transfer->status = KN_PENDING;
    b->transfer = transfer;
    unsigned bytes = 1u + transfer->out_length;
    if (transfer->in_length != 0) {
        bytes += 1u + transfer->in_length;
    }
    /* On a line that is held low the start condition never comes about. */
    b->transfer_at =
        b->value[SIM_SDA_STUCK] != 0 ? SIM_NEVER : b->now_ns + (uint64_t)(9 * bytes + 3) * BIT_NS;
    return KN_OK;
}

static sim_chip *chip_at(sim_board *b, uint8_t address)
{
    for (int part = 0; part < 2; part++) {
        if (b->connected[part] && b->chip[part].address == address) {
            return &b->chip[part];
        }
    }
    return NULL;
}

void sim_end_transfer(sim_board *b)
{
    kn_transfer *t = b->transfer;
    sim_chip *chip = chip_at(b, t->address);
    b->transfer = NULL;
    b->transfer_at = SIM_NEVER;
    if (chip == NULL) {
        t->status = KN_E_NO_ANSWER;
    } else {
        chip->now_ms = (uint32_t)(b->now_ns / 1000000u);
        sim_chip_transfer(chip, t);
    }
    kn_pod_on_transfer(&b->pod);
}

static int8_t bus_recover(void *self)
{
    sim_board *b = self;
    b->value[SIM_BUS_RECOVERIES] += 1;
    if (b->transfer != NULL) {
        b->transfer->status = KN_E_TIMEOUT;
        b->transfer = NULL;
        b->transfer_at = SIM_NEVER;
    }
    if (b->value[SIM_SDA_STUCK] <= PULSES) {
        b->value[SIM_SDA_STUCK] = 0;
    } else if (b->value[SIM_SDA_STUCK] < NEVER_FREED) {
        b->value[SIM_SDA_STUCK] -= PULSES;
    }
    return b->value[SIM_SDA_STUCK] == 0 ? KN_OK : KN_E_BUS;
}

void sim_connect(sim_board *b, int part, int connected)
{
    sim_chip old = b->chip[part];
    if (connected && !b->connected[part]) {
        sim_chip *chip = &b->chip[part];
        (part == SIM_MPU6050 ? sim_mpu6050 : sim_adxl355)(chip);
        for (int axis = 0; axis < 3; axis++) {
            chip->g[axis] = old.g[axis];
            chip->dps[axis] = old.dps[axis];
        }
        chip->celsius = old.celsius;
        chip->noise_g = old.noise_g;
        chip->noise_dps = old.noise_dps;
        chip->random = old.random;
    }
    b->connected[part] = connected;
}

void sim_motion(sim_board *b, const double g[3], const double dps[3], double celsius)
{
    for (int part = 0; part < 2; part++) {
        for (int axis = 0; axis < 3; axis++) {
            b->chip[part].g[axis] = g[axis];
            b->chip[part].dps[axis] = dps[axis];
        }
        b->chip[part].celsius = celsius;
    }
}

void sim_noise(sim_board *b, int part, double g, double dps, uint64_t seed)
{
    b->chip[part].noise_g = g;
    b->chip[part].noise_dps = dps;
    b->chip[part].random = seed;
}

void sim_freeze(sim_board *b, int part, int frozen)
{
    b->chip[part].frozen = frozen != 0;
}

void sim_nack(sim_board *b, int part, int later, int byte)
{
    b->chip[part].nack_transfer = b->chip[part].transfers + later;
    b->chip[part].nack_byte = byte;
}

void sim_self_test_answer(sim_board *b, int part, int axis, double answer)
{
    b->chip[part].answer[axis] = answer;
}

uint8_t sim_register(const sim_board *b, int part, uint8_t at)
{
    return b->chip[part].registers[at % SIM_REGISTERS];
}

void sim_set_register(sim_board *b, int part, uint8_t at, uint8_t value)
{
    b->chip[part].registers[at % SIM_REGISTERS] = value;
}

void sim_wire_bus(kn_port *port)
{
    port->bus_start = bus_start;
    port->bus_recover = bus_recover;
}
