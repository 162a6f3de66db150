/* Asks as fast as libmodbus lets it, and reports what came of it.
 *
 * Usage: libmodbus_loop PORT BAUD SECONDS TIMEOUT_MS
 *
 * Prints good answers, failures, and the seconds from the first answer on. */

#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { REGISTERS = 10 };

static double now(void)
{
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec / 1e9;
}

static int ask(modbus_t *line)
{
    uint16_t words[REGISTERS];
    if (modbus_read_registers(line, 0, REGISTERS, words) == REGISTERS)
        return 1;
    modbus_flush(line);
    return 0;
}

int main(int count, char **arguments)
{
    if (count != 5)
        return 2;
    modbus_t *line = modbus_new_rtu(arguments[1], atoi(arguments[2]), 'N', 8, 1);
    modbus_set_slave(line, 1);
    modbus_set_response_timeout(line, 0, (uint32_t)atoi(arguments[4]) * 1000);
    if (modbus_connect(line) != 0) {
        fprintf(stderr, "%s: cannot be opened\n", arguments[1]);
        return 1;
    }
    while (!ask(line))
        ;
    const double seconds = atof(arguments[3]), began = now();
    unsigned long good = 0, failed = 0;
    while (now() - began < seconds)
        if (ask(line))
            good++;
        else
            failed++;
    printf("%lu %lu %f\n", good, failed, now() - began);
    modbus_close(line);
    modbus_free(line);
    return 0;
}
