/* board: a relay board with 16 coils on Modbus TCP or RTU, for tests. It uses libmodbus and produces faults on demand.
 *
 *   cc -O2 -Wall -Wextra -o board board.c $(pkg-config --cflags --libs libmodbus)
 *   board [OPTION...] ADDRESS PORT          PORT 0: any free port; the "listen" line has its number
 *   board [OPTION...] --rtu DEVICE BAUD     on a serial line or a pseudo terminal, 8 bits, no parity
 *   board [OPTION...] --pty LINK BAUD       on a pseudo terminal of its own, to which it makes the link; the end of a
 *                                           connection, or a cut, removes it like an adapter that is pulled out
 *
 *   --unit N             unit identifier, default 1; others get no answer
 *   --power-on           all coils are on at the start and after the watchdog has acted (default: off)
 *   --loop               input n follows coil n          --loop-inverse   input n is the opposite of coil n
 *   --timed REG,COIL,MS  writing n to holding register REG turns COIL on for n * MS; 0 ends it. May be repeated.
 *   --pulse REG,COIL,MS,MAX  writing a number and n to holding registers REG and REG + 1 in one request turns COIL on for
 *                        n * MS; a repeated number has no effect, the later end counts, n above MAX is refused, 0 ends it
 *   --timed-off          timed outputs turn their coil off instead, and on again at the end
 *   --watchdog REG,MS    holding register REG = n: after n * MS without a request all coils return to their power-on
 *                        state; 0: never
 *   --stdin              read commands from standard input, and end at its end
 *   --do COMMAND         carry out a command at the start
 *
 * Commands, one per line:
 *   fault WHAT WHEN NTH [ARG]   NTH: 1 is the next request that WHEN matches, 0 is every such request
 *       WHAT   exception (ARG: code) | silent | mute | drop | actdrop | delay (ARG: ms) | tardy (ARG: ms)
 *              silent: neither carried out nor answered. mute: carried out, not answered. drop: not carried out,
 *              connection closed. actdrop: carried out, connection closed (not with --rtu). delay: waits, carries out,
 *              answers. tardy: carries out, waits, answers.
 *       WHEN   any | read | write | on | off | register | opening
 *              on, off: writes of one coil to that level; register: writes of registers; opening: on, or a write to a
 *              timed output's register
 *   clear                       remove all faults
 *   cut | restore               close all connections and refuse new ones | listen again on the same port
 *   coil N LEVEL                move coil N by hand
 *   release                     carry out the held request; the event follows when that is done
 *   here                        answers with a "here" line, after all earlier events
 *   quit
 *
 * Standard output is CSV, one event per line: t_us,event,conn,unit,function,index,value
 * t_us is CLOCK_MONOTONIC. Events: listen (value: port), connect, close, read, write (as requested), coil (its actual
 * change; conn 0: not by a request), exception, silent, mute, drop, actdrop, otherunit, watchdog, hold, release, cut,
 * restore, clear, fault, here. */
#define _GNU_SOURCE
#include <modbus.h>
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { COILS = 16, REGISTERS = 64, CLIENTS = 32, FAULTS = 32 };
enum action { NOTHING, EXCEPTION, SILENT, MUTE, DROP, ACTDROP, DELAY, TARDY, HOLD };
static const char *const action_names[] = {"nothing", "exception", "silent", "mute", "drop", "actdrop", "delay", "tardy", "hold", NULL};
enum when { W_ANY, W_READ, W_WRITE, W_ON, W_OFF, W_REGISTER, W_OPENING };
static const char *const when_names[] = {"any", "read", "write", "on", "off", "register", "opening", NULL};

struct fault { int what, when, nth, arg, every; };
struct timed { int reg, coil, ms, pulse, max, seq; long long end; };

static struct fault faults[FAULTS];
static int nfaults;
static struct timed timers[COILS + 1];
static int ntimers, timed_level = 1;
static int rtu, pty, pty_slave = -1, baud;
static const char *device;
static int unit = 1, power_on, loop, watchdog_reg = -1, watchdog_ms, from_stdin, running = 1;
static long long last_request;
static int held; /* a request is kept */
static modbus_mapping_t *map;
static uint8_t shown[COILS];

static struct sockaddr_in address;
static struct pollfd fds[CLIENTS + 2]; /* 0: listener, 1: stdin */
static int nfds = 2;

static long long now_us(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec * 1000000LL + t.tv_nsec / 1000;
}

static void say(const char *event, int conn, int fn, int index, int value)
{
	printf("%lld,%s,%d,%d,%d,%d,%d\n", now_us(), event, conn, unit, fn, index, value);
}

/* report writes an event for each coil that has moved since the last call, and moves the inputs accordingly. */
static void report(int conn, int fn)
{
	for (int i = 0; i < COILS; i++) {
		if (shown[i] != map->tab_bits[i])
			say("coil", conn, fn, i, map->tab_bits[i]);
		shown[i] = map->tab_bits[i];
		if (loop)
			map->tab_input_bits[i] = loop > 0 ? shown[i] : !shown[i];
	}
}

static int lookup(const char *const *names, const char *s)
{
	for (int i = 0; names[i]; i++)
		if (!strcmp(names[i], s))
			return i;
	return -1;
}

/* plug makes a pseudo terminal and the link to it. The slave is held open, so that the master can be read while no other
 * process has it open. */
static void plug(void)
{
	struct termios t;
	int m = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
	const char *name = m < 0 || grantpt(m) || unlockpt(m) ? NULL : ptsname(m);
	pty_slave = name ? open(name, O_RDWR | O_NOCTTY | O_CLOEXEC) : -1;
	if (pty_slave < 0 || tcgetattr(pty_slave, &t)) {
		perror("board: pseudo terminal");
		exit(1);
	}
	cfmakeraw(&t);
	tcsetattr(pty_slave, TCSANOW, &t);
	if (symlink(name, device)) {
		perror(device);
		exit(1);
	}
	fds[2] = (struct pollfd){m, POLLIN, 0};
	nfds = 3;
}

static void unplug(void)
{
	if (nfds < 3)
		return;
	unlink(device);
	close(fds[2].fd);
	close(pty_slave);
	nfds = 2;
}

static int bound(void)
{
	int one = 1, s = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
	setsockopt(s, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
	if (bind(s, (struct sockaddr *)&address, sizeof address)) {
		perror("board: bind");
		exit(1);
	}
	return s;
}

/* take_place reserves the port with a socket that never listens, so that no other process gets it while the board is cut. */
static void take_place(void)
{
	socklen_t n = sizeof address;
	getsockname(bound(), (struct sockaddr *)&address, &n);
}

static void listen_again(void)
{
	int s = bound();
	if (listen(s, 8)) {
		perror("board: listen");
		exit(1);
	}
	fds[0] = (struct pollfd){s, POLLIN, 0};
}

static void hang_up(int i)
{
	say("close", fds[i].fd, 0, 0, 0);
	close(fds[i].fd);
	fds[i] = fds[--nfds];
}

static void cut(void)
{
	if (pty)
		unplug();
	while (nfds > 2 && !rtu)
		hang_up(nfds - 1);
	if (fds[0].fd >= 0)
		close(fds[0].fd);
	fds[0].fd = -1; /* poll ignores it */
	say("cut", 0, 0, 0, 0);
}

static void command(const char *line)
{
	char what[16], when[16];
	int n = 0, v = 0;
	if (sscanf(line, "fault %15s %15s %d %d", what, when, &n, &v) >= 3) {
		struct fault f = {lookup(action_names, what), lookup(when_names, when), n, v, n == 0};
		if (f.what < 0 || f.when < 0 || nfaults == FAULTS) {
			fprintf(stderr, "board: cannot do %s\n", line);
			exit(2);
		}
		faults[nfaults++] = f;
		say("fault", 0, 0, f.when, f.what);
	} else if (!strncmp(line, "clear", 5)) {
		nfaults = 0;
		say("clear", 0, 0, 0, 0);
	} else if (!strncmp(line, "cut", 3)) {
		cut();
	} else if (!strncmp(line, "restore", 7)) {
		if (pty && nfds < 3)
			plug();
		else if (!rtu && fds[0].fd < 0)
			listen_again();
		say("restore", 0, 0, 0, 0);
	} else if (sscanf(line, "coil %d %d", &n, &v) == 2 && n >= 0 && n < COILS) {
		map->tab_bits[n] = v != 0;
		report(0, 0);
	} else if (!strncmp(line, "release", 7)) {
		held = 0;
	} else if (!strncmp(line, "here", 4)) {
		say("here", 0, 0, 0, 0);
	} else if (!strncmp(line, "quit", 4)) {
		running = 0;
	} else if (line[0] != '\n' && line[0] != 0) {
		fprintf(stderr, "board: unknown command: %s\n", line);
		exit(2);
	}
}

static void read_commands(void)
{
	static char buf[4096];
	static size_t have;
	ssize_t n = read(0, buf + have, sizeof buf - 1 - have);
	if (n <= 0) {
		running = 0; /* the parent process has ended */
		return;
	}
	have += (size_t)n;
	buf[have] = 0;
	for (char *end; (end = strchr(buf, '\n')); have = strlen(buf)) {
		*end = 0;
		command(buf);
		memmove(buf, end + 1, strlen(end + 1) + 1);
	}
}

static int starts_timer(int fn, int index)
{
	for (int i = 0; i < ntimers; i++)
		if ((fn == 6 || fn == 16) && timers[i].reg == index)
			return 1;
	return 0;
}

static int matches(const struct fault *f, int fn, int index, int value)
{
	switch (f->when) {
	case W_READ: return fn < 5;
	case W_WRITE: return fn >= 5;
	case W_ON: return fn == 5 && value == 0xFF00;
	case W_OFF: return fn == 5 && value == 0;
	case W_REGISTER: return fn == 6 || fn == 16;
	case W_OPENING: return starts_timer(fn, index) || (fn == 5 && value == 0xFF00);
	default: return 1;
	}
}

/* next_fault counts this request for every fault, and returns the first fault that is due. */
static struct fault next_fault(int fn, int index, int value)
{
	struct fault due = {NOTHING, W_ANY, 0, 0, 0};
	for (int i = 0; i < nfaults; i++) {
		struct fault *f = &faults[i];
		if (f->nth < 0 || !matches(f, fn, index, value))
			continue;
		if (f->nth > 0 && --f->nth > 0)
			continue; /* not yet */
		if (due.what == NOTHING)
			due = *f;
		if (f->nth == 0 && !f->every)
			f->nth = -1; /* used up */
	}
	return due;
}

/* set_timers applies registers that were just written. */
static void set_timers(int first, int count)
{
	for (int i = 0; i < ntimers; i++) {
		struct timed *t = &timers[i];
		if (t->pulse || t->reg < first || t->reg >= first + count)
			continue;
		int n = map->tab_registers[t->reg];
		t->end = n ? now_us() + 1000LL * n * t->ms : 0;
		map->tab_bits[t->coil] = n ? timed_level : !timed_level;
	}
}

/* expire ends the outputs whose time is over. It returns the milliseconds until it must be called again, -1 for never. */
static int expire(void)
{
	long long now = now_us(), next = -1;
	for (int i = 0; i < ntimers; i++) {
		struct timed *t = &timers[i];
		if (!t->end)
			continue;
		if (now >= t->end) {
			t->end = 0;
			map->tab_bits[t->coil] = !timed_level;
		} else if (next < 0 || t->end - now < next) {
			next = t->end - now;
		}
	}
	int n = watchdog_reg < 0 ? 0 : map->tab_registers[watchdog_reg];
	if (n) {
		long long left = last_request + 1000LL * n * watchdog_ms - now;
		if (left <= 0) {
			last_request = now;
			say("watchdog", 0, 0, 0, 0);
			memset(map->tab_bits, power_on, COILS);
			left = 1000LL * n * watchdog_ms;
		}
		if (next < 0 || left < next)
			next = left;
	}
	report(0, 0);
	return next < 0 ? -1 : (int)((next + 999) / 1000);
}

/* dawdle delays a request. The outputs' timers and the watchdog continue, as in a board with separate timer circuits. */
static void dawdle(int ms)
{
	for (long long end = now_us() + 1000LL * ms, left; (left = (end - now_us() + 999) / 1000) > 0;) {
		int next = expire();
		poll(NULL, 0, next >= 0 && next < left ? next : (int)left);
	}
}

/* hold holds a request until the command release, while commands and timers continue. */
static void hold(void)
{
	held = 1;
	while (held && running) {
		struct pollfd in = {0, POLLIN, 0};
		if (poll(&in, 1, expire()) > 0)
			read_commands();
	}
}

/* pulse starts, lengthens or ends a timed output with a number. It returns 0 or an exception code. */
static int pulse(struct timed *t, int seq, int n)
{
	if (seq == t->seq)
		return 0;
	if (n > t->max)
		return MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE;
	long long end = now_us() + 1000LL * n * t->ms;
	t->seq = seq;
	t->end = n == 0 ? 0 : end > t->end ? end : t->end;
	map->tab_bits[t->coil] = n ? timed_level : !timed_level;
	return 0;
}

static int word(const uint8_t *p) { return p[0] << 8 | p[1]; }

/* act carries out a request without an answer: a write of one coil, one register or a pair of registers. It returns 0 or
 * an exception code. */
static int act(const uint8_t *pdu)
{
	int fn = pdu[0], index = word(pdu + 1), value = word(pdu + 3);
	if (fn == 5 && index < COILS) {
		map->tab_bits[index] = value == 0xFF00;
		for (int i = 0; i < ntimers; i++)
			if (timers[i].coil == index && map->tab_bits[index] != timed_level)
				timers[i].end = 0;
	}
	for (int i = 0; i < ntimers; i++) {
		struct timed *t = &timers[i];
		if (!t->pulse || (fn != 6 && fn != 16) || index > t->reg + 1 || index + (fn == 6 ? 1 : value) <= t->reg)
			continue;
		if (fn == 6 || index != t->reg || value != 2)
			return MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE; /* half a pair */
		return pulse(t, word(pdu + 6), word(pdu + 8));
	}
	if (fn == 6 && index < REGISTERS) {
		map->tab_registers[index] = (uint16_t)value;
		set_timers(index, 1);
	}
	return 0;
}

/* serve returns 0, or -1 if the connection must end. */
static int serve(modbus_t *m, int conn, const uint8_t *q, int len)
{
	int h = modbus_get_header_length(m), fn = q[h], to = q[h - 1];
	int index = word(q + h + 1), value = word(q + h + 3), no = 0;
	if (to != unit) {
		say("otherunit", conn, fn, index, to);
		return 0;
	}
	say(fn < 5 ? "read" : "write", conn, fn, index, value);
	struct fault f = next_fault(fn, index, value);
	switch (f.what) {
	case EXCEPTION:
		say("exception", conn, fn, index, f.arg);
		return modbus_reply_exception(m, q, (unsigned)f.arg) < 0 ? -1 : 0;
	case MUTE:
	case ACTDROP:
		act(q + h);
		report(conn, fn);
		/* fall through */
	case SILENT:
	case DROP:
		say(action_names[f.what], conn, fn, index, value);
		return f.what == DROP || f.what == ACTDROP ? -1 : 0;
	case DELAY:
		dawdle(f.arg);
		break;
	case HOLD:
		say("hold", conn, fn, index, value);
		hold();
		break;
	case TARDY:
		no = act(q + h);
		report(conn, fn);
		dawdle(f.arg);
		break;
	}
	/* The coil moves, and its event is written, before the answer is sent. */
	if (f.what != TARDY) {
		no = act(q + h);
		report(conn, fn);
	}
	if (f.what == HOLD)
		say("release", conn, fn, index, value);
	if (no) {
		say("exception", conn, fn, index, no);
		return modbus_reply_exception(m, q, (unsigned)no) < 0 ? -1 : 0;
	}
	int r = modbus_reply(m, q, len, map);
	if (fn == 16 && r >= 0)
		set_timers(index, value);
	report(conn, fn);
	return r < 0 && errno < MODBUS_ENOBASE ? -1 : 0;
}

static void arguments(int c, char **v)
{
	static const struct option all[] = {
		{"unit", 1, 0, 'u'}, {"power-on", 0, 0, 'p'}, {"loop", 0, 0, 'l'}, {"loop-inverse", 0, 0, 'L'}, {"timed", 1, 0, 't'},
		{"timed-off", 0, 0, 'T'}, {"pulse", 1, 0, 'P'}, {"rtu", 0, 0, 'r'}, {"pty", 0, 0, 'y'}, {"watchdog", 1, 0, 'w'}, {"stdin", 0, 0, 'i'}, {"do", 1, 0, 'd'}, {0, 0, 0, 0}};
	for (int o; (o = getopt_long(c, v, "", all, NULL)) != -1;) {
		struct timed *t = &timers[ntimers];
		int ok = 1;
		switch (o) {
		case 'u': unit = atoi(optarg); break;
		case 'p': power_on = 1; break;
		case 'l': loop = 1; break;
		case 'L': loop = -1; break;
		case 't':
			ok = ntimers < COILS && sscanf(optarg, "%d,%d,%d", &t->reg, &t->coil, &t->ms) == 3 && t->coil >= 0 && t->coil < COILS &&
			     t->reg >= 0 && t->reg < REGISTERS;
			ntimers++;
			break;
		case 'P':
			ok = ntimers < COILS && sscanf(optarg, "%d,%d,%d,%d", &t->reg, &t->coil, &t->ms, &t->max) == 4 && t->coil >= 0 && t->coil < COILS &&
			     t->reg >= 0 && t->reg < REGISTERS - 1;
			t->pulse = 1;
			ntimers++;
			break;
		case 'y': pty = 1; /* fall through */
		case 'r': rtu = 1; break;
		case 'T': timed_level = 0; break;
		case 'w':
			ok = sscanf(optarg, "%d,%d", &watchdog_reg, &watchdog_ms) == 2 && watchdog_reg >= 0 && watchdog_reg < REGISTERS;
			break;
		case 'i': from_stdin = 1; break;
		case 'd': break; /* second round */
		default: ok = 0;
		}
		if (!ok) {
			fprintf(stderr, "board: bad option; the head of board.c lists them\n");
			exit(2);
		}
	}
	memset(&address, 0, sizeof address);
	address.sin_family = AF_INET;
	if (optind + 2 != c || (!rtu && inet_pton(AF_INET, v[optind], &address.sin_addr) != 1)) {
		fprintf(stderr, "usage: board [OPTION...] ADDRESS PORT, --rtu DEVICE BAUD, or --pty LINK BAUD\n");
		exit(2);
	}
	device = v[optind];
	baud = atoi(v[optind + 1]);
	address.sin_port = htons((uint16_t)baud);
	map = modbus_mapping_new(COILS, COILS, REGISTERS, REGISTERS);
	memset(map->tab_bits, power_on, COILS);
	memset(shown, power_on, COILS);
	report(0, 0);
	optind = 1;
	for (int o; (o = getopt_long(c, v, "", all, NULL)) != -1;)
		if (o == 'd')
			command(optarg);
}

int main(int c, char **v)
{
	setvbuf(stdout, NULL, _IOLBF, 0);
	signal(SIGPIPE, SIG_IGN);
	printf("t_us,event,conn,unit,function,index,value\n");
	fds[0].fd = fds[1].fd = -1;
	arguments(c, v);
	modbus_t *m = rtu ? modbus_new_rtu(device, baud, 'N', 8, 1) : modbus_new_tcp("127.0.0.1", 0); /* TCP: only for framing; the sockets are our own */
	if (!rtu) {
		take_place();
		listen_again();
	} else if (pty) {
		modbus_set_slave(m, unit);
		plug();
	} else if (modbus_set_slave(m, unit) || modbus_connect(m)) {
		fprintf(stderr, "board: %s: %s\n", device, modbus_strerror(errno));
		exit(1);
	} else {
		fds[nfds++] = (struct pollfd){modbus_get_socket(m), POLLIN, 0};
	}
	if (from_stdin)
		fds[1] = (struct pollfd){0, POLLIN, 0};
	say("listen", 0, 0, 0, ntohs(address.sin_port));
	uint8_t q[MODBUS_TCP_MAX_ADU_LENGTH];
	while (running) {
		if (poll(fds, (nfds_t)nfds, expire()) < 0)
			continue;
		expire();
		for (int i = nfds - 1; i > 1; i--) {
			if (!fds[i].revents)
				continue;
			if (!rtu || pty)
				modbus_set_socket(m, fds[i].fd);
			int n = modbus_receive(m, q);
			if (n > 0 || !rtu)
				last_request = now_us(); /* RTU: 0 means a request for another unit */
			if (rtu) {
				if (n > 0 && serve(m, 0, q, n) < 0 && pty) {
					unplug();
					plug();
				} else if (n < 0 && errno == EIO)
					running = 0; /* the other end of the pseudo terminal was closed */
				continue;
			}
			if (n < 0 || (n > 0 && serve(m, fds[i].fd, q, n) < 0))
				hang_up(i);
		}
		if (fds[0].fd >= 0 && fds[0].revents && nfds < CLIENTS + 2) {
			/* Nagle's algorithm stays on, as in the stacks of many small boards. */
			int s = accept4(fds[0].fd, NULL, NULL, SOCK_CLOEXEC);
			if (s >= 0) {
				fds[nfds++] = (struct pollfd){s, POLLIN, 0};
				say("connect", s, 0, 0, 0);
			}
		}
		if (fds[1].revents)
			read_commands();
	}
	return 0;
}
