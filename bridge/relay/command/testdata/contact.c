/* contact DIR MODE ACTION LINE MS SEQ: a program for package command, whose contacts are files in a directory. It
 * produces faults on demand.
 *
 * MODE is timed (a background process ends each opening) or plain. DIR/LINE has a line for each movement: CLOCK_MONOTONIC
 * in nanoseconds, and open or closed. If DIR/cut exists, nothing works. DIR/fault, if it exists, has WHAT ON ONCE MS. A
 * process locks DIR/lock while it uses any of these files. */
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <time.h>
#include <unistd.h>

static int lock_fd = -1;

static void lock(void) {
	lock_fd = open("lock", O_RDWR | O_CREAT | O_CLOEXEC, 0600);
	if (lock_fd < 0 || flock(lock_fd, LOCK_EX) < 0) {
		perror("lock");
		exit(1);
	}
}

static void unlock(void) { close(lock_fd); }

/* last returns the size of a line's file, and sets is_open if its last movement was an opening. */
static long last(const char *line, int *is_open) {
	char tail[64];
	long size = 0;
	FILE *f = fopen(line, "r");
	*is_open = 0;
	if (!f)
		return 0;
	while (fgets(tail, sizeof tail, f))
		*is_open = strstr(tail, "open") != NULL;
	size = ftell(f);
	fclose(f);
	return size;
}

/* move records a movement if the level changes, and returns the size of the file. The caller holds the lock. */
static long move(const char *line, int to_open) {
	int is_open;
	long size = last(line, &is_open);
	struct timespec t;
	FILE *f;
	if (is_open == to_open)
		return size;
	clock_gettime(CLOCK_MONOTONIC, &t);
	f = fopen(line, "a");
	if (!f) {
		perror(line);
		exit(1);
	}
	fprintf(f, "%lld %s\n", (long long)t.tv_sec * 1000000000 + t.tv_nsec, to_open ? "open" : "closed");
	fflush(f);
	size = ftell(f);
	fclose(f);
	return size;
}

/* timer closes the line after ms, unless the line has moved since. */
static void timer(const char *line, long long ms, long size) {
	struct timespec t;
	int is_open;
	clock_gettime(CLOCK_MONOTONIC, &t);
	t.tv_sec += ms / 1000;
	t.tv_nsec += ms % 1000 * 1000000;
	if (t.tv_nsec >= 1000000000) {
		t.tv_sec++;
		t.tv_nsec -= 1000000000;
	}
	if (fork() != 0)
		return;
	unlock(); /* parent and child share the lock until both have closed it */
	close(0);
	close(1);
	close(2);
	while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) != 0)
		;
	lock();
	if (last(line, &is_open) == size)
		move(line, 0);
	exit(0);
}

/* fault stores the fault that applies to this action in what, and returns its milliseconds. */
static int fault(const char *action, char what[16]) {
	char on[16];
	int once, ms = 0;
	FILE *f = fopen("fault", "r");
	int n = f ? fscanf(f, "%15s %15s %d %d", what, on, &once, &ms) : 0;
	if (f)
		fclose(f);
	if (n != 4 || (strcmp(on, "any") != 0 && strcmp(on, action) != 0)) {
		what[0] = 0;
		return 0;
	}
	if (once)
		unlink("fault");
	return ms;
}

/* hold holds the request until DIR/release exists. DIR/held has a byte for each held request, and each process that holds
 * one has a lock on that file while it lives. */
static void hold(void) {
	int fd = open("held", O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
	if (fd < 0 || flock(fd, LOCK_SH) < 0 || write(fd, "x", 1) != 1) {
		perror("held");
		exit(1);
	}
	while (access("release", F_OK) != 0)
		usleep(1000);
	unlink("release");
}

int main(int argc, char **argv) {
	char what[16];
	const char *action, *line;
	int is_open, to_open, ms;
	if (argc != 7 || chdir(argv[1]) != 0)
		return 2;
	action = argv[3];
	line = argv[4];
	lock();
	if (access("cut", F_OK) == 0) {
		fprintf(stderr, "the wire is cut\n");
		return 1;
	}
	ms = fault(action, what);
	unlock();
	if (strcmp(what, "refuse") == 0) {
		fprintf(stderr, "the lever is stuck\n");
		return 113;
	}
	if (strcmp(what, "hangup") == 0)
		return 1;
	while (strcmp(what, "ignore") == 0)
		pause();
	if (strcmp(what, "hold") == 0)
		hold();
	if (strcmp(what, "delay") == 0)
		usleep((useconds_t)ms * 1000);
	if (strcmp(action, "read") == 0 || strcmp(action, "sense") == 0) {
		lock();
		last(line, &is_open);
		printf("%s\n", is_open ? "open" : "closed");
		fflush(stdout);
	} else {
		to_open = strcmp(action, "open") == 0;
		if (!to_open && strcmp(action, "close") != 0)
			return 2;
		lock();
		long size = move(line, to_open);
		if (to_open && strcmp(argv[2], "timed") == 0)
			timer(line, atoll(argv[5]), size);
	}
	unlock();
	while (strcmp(what, "mute") == 0)
		pause();
	if (strcmp(what, "acthangup") == 0)
		raise(SIGKILL);
	return 0;
}
