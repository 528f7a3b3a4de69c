/* master: a Modbus TCP master on libmodbus, for tests of what answers it. It holds one connection and does what its input says.
 *
 *   cc -O2 -Wall -Wextra -o master master.c $(pkg-config --cflags --libs libmodbus)
 *   master ADDRESS PORT
 *
 * Commands, one a line, each answered by one line, "ok" with the values read, or "error" with libmodbus's words:
 *   coils A N | inputs A N | holding A N | input A N    read N of them from address A
 *   coil A LEVEL                                        function 5
 *   register A VALUE                                    function 6
 *   registers A FIRST SECOND                            function 16
 * It ends with its input. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST = 125 };

static uint16_t words[MOST];
static uint8_t bits[MOST];

static int is(const char *what, const char *name) { return strcmp(what, name) == 0; }

int main(int c, char **v)
{
	modbus_t *m = c == 3 ? modbus_new_tcp(v[1], atoi(v[2])) : NULL;
	char what[16];
	int a, x, y;
	setvbuf(stdout, NULL, _IOLBF, 0);
	if (!m || modbus_connect(m)) {
		fprintf(stderr, "master: %s\n", modbus_strerror(errno));
		return 1;
	}
	for (char line[128]; fgets(line, sizeof line, stdin);) {
		int n = sscanf(line, "%15s %d %d %d", what, &a, &x, &y), of_bits = 0, of_words = 0, r = -1;
		if (n < 3 || (n == 3 && is(what, "registers")) || x > 65535 || (x > MOST && (what[0] == 'i' || what[0] == 'h' || is(what, "coils")))) {
			fprintf(stderr, "master: cannot do %s", line);
			return 2;
		}
		if (is(what, "coils"))
			r = of_bits = modbus_read_bits(m, a, x, bits);
		else if (is(what, "inputs"))
			r = of_bits = modbus_read_input_bits(m, a, x, bits);
		else if (is(what, "holding"))
			r = of_words = modbus_read_registers(m, a, x, words);
		else if (is(what, "input"))
			r = of_words = modbus_read_input_registers(m, a, x, words);
		else if (is(what, "coil"))
			r = modbus_write_bit(m, a, x);
		else if (is(what, "register"))
			r = modbus_write_register(m, a, (uint16_t)x);
		else if (is(what, "registers"))
			r = modbus_write_registers(m, a, 2, (uint16_t[]){(uint16_t)x, (uint16_t)y});
		if (r < 0) {
			printf("error %s\n", modbus_strerror(errno));
			continue;
		}
		printf("ok");
		for (int i = 0; i < of_bits; i++)
			printf(" %d", bits[i]);
		for (int i = 0; i < of_words; i++)
			printf(" %d", words[i]);
		printf("\n");
	}
	modbus_close(m);
	modbus_free(m);
	return 0;
}
