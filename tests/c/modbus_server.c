/* An independent Modbus server: libmodbus' own, with its own register map.
 *
 *   modbus_server tcp                 prints "ready PORT"
 *   modbus_server rtu PORT BAUD UNIT  prints "ready 0"
 *
 * Holding register a holds 1000 + a, input register a 2000 + a, coil a is a odd, discrete input a is a divisible by three; 200 of each.
 * Ends when standard input does.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { COUNT = 200 };

static void *end_with_input(void *unused) {
    char byte;
    while (read(0, &byte, 1) > 0) {
    }
    _exit(0);
    return unused;
}

static void serve(modbus_t *context, modbus_mapping_t *map) {
    uint8_t query[MODBUS_MAX_ADU_LENGTH];
    for (;;) {
        int size = modbus_receive(context, query);
        if (size > 0) modbus_reply(context, query, size, map);
        else if (size < 0 && errno != EMBBADCRC) return;
    }
}

int main(int argc, char **argv) {
    modbus_mapping_t *map = modbus_mapping_new(COUNT, COUNT, COUNT, COUNT);
    for (int a = 0; a < COUNT; a++) {
        map->tab_registers[a] = 1000 + a;
        map->tab_input_registers[a] = 2000 + a;
        map->tab_bits[a] = a % 2;
        map->tab_input_bits[a] = a % 3 == 0;
    }
    pthread_t watcher;
    pthread_create(&watcher, NULL, end_with_input, NULL);
    if (argc == 2 && !strcmp(argv[1], "tcp")) {
        int listener = socket(AF_INET, SOCK_STREAM, 0);
        struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
        socklen_t size = sizeof address;
        if (bind(listener, (struct sockaddr *)&address, size) || listen(listener, 4)) return 1;
        getsockname(listener, (struct sockaddr *)&address, &size);
        printf("ready %d\n", ntohs(address.sin_port));
        fflush(stdout);
        modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
        while (modbus_tcp_accept(context, &listener) >= 0) {
            serve(context, map);
            modbus_close(context);
        }
        return 1;
    }
    if (argc == 5 && !strcmp(argv[1], "rtu")) {
        modbus_t *context = modbus_new_rtu(argv[2], atoi(argv[3]), 'N', 8, 1);
        modbus_set_slave(context, atoi(argv[4]));
        modbus_set_error_recovery(context, MODBUS_ERROR_RECOVERY_PROTOCOL); /* else a foreign frame leaves it out of step for ever */
        if (modbus_connect(context)) {
            fprintf(stderr, "%s: %s\n", argv[2], modbus_strerror(errno));
            return 1;
        }
        printf("ready 0\n");
        fflush(stdout);
        for (;;) {
            serve(context, map);
            usleep(1000);
        }
    }
    fprintf(stderr, "usage: modbus_server tcp | rtu PORT BAUD UNIT\n");
    return 2;
}
