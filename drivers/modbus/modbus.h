/* Inside the modbus driver: its state, and what its files share.  Nobody else includes this. */
#ifndef POISE_MODBUS_H
#define POISE_MODBUS_H

#include "driver.h"

enum {
    MODBUS_READ_HOLDING = 3,
    MODBUS_READ_INPUT = 4,
    MODBUS_WRITE_ONE = 6,
    MODBUS_WRITE_SEVERAL = 16,
    MODBUS_REGISTERS_MOST = 125, /* of one request (MODBUS Application Protocol 1.1b3, 6.3) */
    MODBUS_CRC_LENGTH = 2,
    MODBUS_REQUEST_LENGTH = 8,
    MODBUS_WRITE_MOST = 4, /* registers of an order: a command bit, or a value */
    MODBUS_ORDER_MOST = 9 + 2 * MODBUS_WRITE_MOST
};

enum modbus_kind { MODBUS_INT16, MODBUS_UINT16, MODBUS_INT32, MODBUS_UINT32, MODBUS_FLOAT32 };

struct modbus_value {
    enum quantity quantity;
    uint16_t reg; /* as the protocol counts them, from 0 */
    enum modbus_kind kind;
    struct decimal scale;
    enum unit unit;
};

struct modbus {
    uint8_t address, function;
    struct modbus_value values[FRAME_READINGS]; /* the first is what the section is about */
    int value_count;
    uint16_t first_reg; /* of the request, which reads them all */
    int register_count;
    char word_order[5]; /* which byte of a value, A the highest, comes first, second, ... */
    int decimals;       /* of a float; -1: as many as distinguish it */
    bool has_fault_value;
    long long fault_value;
    uint8_t request[MODBUS_REQUEST_LENGTH];
    struct {
        uint8_t data[MODBUS_ORDER_MOST];
        size_t length;
    } orders[ORDER_COUNT];
};

/* 1 or 2. */
int modbus_registers(enum modbus_kind kind);

/* Puts the CRC behind so many bytes. */
void modbus_add_crc(uint8_t *frame, size_t length);

/* modbus_settings.c */
int modbus_configure(void *state, const struct instrument_config *config, struct why *why);

#endif
