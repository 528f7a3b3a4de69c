/* Loads a relay with G.711-sized RTP over loopback, and measures what the relay sends.

   loader MILLISECONDS PERIOD_US LEFT:RIGHT [LEFT:RIGHT ...]

   For each pair, a talker sends to port LEFT and a listener receives. The listener first sends to port RIGHT, so that the
   relay learns its address. PERIOD_US is the time between two packets of a stream; 0 sends as fast as possible, with at
   most WINDOW packets of a stream on the way. LEFT 0 sends to the listener directly, without a relay. Each packet carries
   the time at which it was sent. Prints the packets sent, received, and per second, and the median and the 99th percentile
   of the delay in microseconds. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { SIZE = 172, WINDOW = 64, BURST = 8, BUCKETS = 1000000 }; /* buckets of 0.1 us */

struct stream {
    int talker, listener;
    uint16_t seq;
    atomic_int under_way;
    struct sockaddr_in to;
};

static struct stream *streams;
static int count;
static atomic_int done;
static atomic_long received;
static long bucket[BUCKETS];

static int64_t now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static struct sockaddr_in loopback(int port) {
    struct sockaddr_in a = {0};
    a.sin_family = AF_INET;
    a.sin_port = htons(port);
    a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return a;
}

static int open_socket(struct sockaddr_in *self) {
    int fd = socket(AF_INET, SOCK_DGRAM | SOCK_NONBLOCK, 0), room = 1 << 20;
    socklen_t len = sizeof *self;
    *self = loopback(0);
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &room, sizeof room);
    if (fd < 0 || bind(fd, (struct sockaddr *)self, sizeof *self) != 0 || getsockname(fd, (struct sockaddr *)self, &len) != 0) {
        perror("loader: socket");
        exit(1);
    }
    return fd;
}

static void *listen_all(void *unused) {
    (void)unused;
    struct epoll_event ev[64];
    int ep = epoll_create1(0);
    for (int i = 0; i < count; i++) {
        struct epoll_event e = {.events = EPOLLIN, .data.u32 = i};
        epoll_ctl(ep, EPOLL_CTL_ADD, streams[i].listener, &e);
    }
    while (!done) {
        int n = epoll_wait(ep, ev, 64, 20);
        for (int k = 0; k < n; k++) {
            struct stream *s = &streams[ev[k].data.u32];
            char p[2048];
            for (int burst = 0; burst < 16 && recv(s->listener, p, sizeof p, 0) == SIZE; burst++) {
                int64_t sent, d;
                memcpy(&sent, p + 12, sizeof sent);
                if (sent == 0) /* sent by acquaint */
                    continue;
                d = (now() - sent) / 100;
                bucket[d < 0 ? 0 : d < BUCKETS ? d : BUCKETS - 1]++;
                received++;
                s->under_way--;
            }
        }
    }
    return NULL;
}

static int speak_at(struct stream *s, int64_t t) {
    unsigned char p[SIZE] = {0x80};
    uint32_t stamp = htonl(160u * s->seq);
    p[2] = s->seq >> 8;
    p[3] = s->seq;
    memcpy(p + 4, &stamp, sizeof stamp);
    memcpy(p + 12, &t, sizeof t);
    if (sendto(s->talker, p, SIZE, 0, (struct sockaddr *)&s->to, sizeof s->to) != SIZE)
        return 0;
    s->seq++;
    return 1;
}

static int speak(struct stream *s) {
    int sent = speak_at(s, now());
    s->under_way += sent;
    return sent;
}

/* Sends to the relay from both ends until the listener receives a packet of the talker. How long that takes depends on the
   machine. */
static void acquaint(struct stream *s, int right) {
    unsigned char hello[12] = {0x80};
    struct sockaddr_in out = loopback(right);
    char p[2048];
    for (int64_t limit = now() + 10000000000; now() < limit;) {
        struct pollfd heard = {.fd = s->listener, .events = POLLIN};
        if (right)
            sendto(s->listener, hello, sizeof hello, 0, (struct sockaddr *)&out, sizeof out);
        speak_at(s, 0);
        if (poll(&heard, 1, 20) == 1 && recv(s->listener, p, sizeof p, 0) == SIZE)
            return;
    }
    fprintf(stderr, "loader: the relay passes nothing on\n");
    exit(1);
}

static long flat_out(int64_t end) {
    long sent = 0;
    int64_t last = now();
    while (now() < end) {
        int any = 0;
        for (int i = 0; i < count; i++)
            for (int k = 0; k < BURST && streams[i].under_way < WINDOW; k++)
                any += speak(&streams[i]);
        sent += any;
        if (any) {
            last = now();
            continue;
        }
        sched_yield();
        if (now() - last > 50000000) /* packets on the way for so long are lost */
            for (int i = 0; i < count; i++)
                streams[i].under_way = 0;
    }
    return sent;
}

static long paced(int64_t end, int64_t period_us) {
    long sent = 0;
    int64_t start = now();
    for (long n = 0;; n++) {
        int64_t at = start + n * period_us * 1000 / count;
        if (at >= end)
            return sent;
        struct timespec t = {at / 1000000000, at % 1000000000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
        sent += speak(&streams[n % count]);
    }
}

static double quantile(double q) {
    long want = q * received, seen = 0;
    for (int i = 0; i < BUCKETS; i++)
        if ((seen += bucket[i]) > want)
            return i / 10.0;
    return BUCKETS / 10.0;
}

int main(int argc, char **argv) {
    if (argc < 4) {
        fprintf(stderr, "usage: loader MILLISECONDS PERIOD_US LEFT:RIGHT ...\n");
        return 2;
    }
    int64_t span = atoll(argv[1]) * 1000000, period = atoll(argv[2]);
    count = argc - 3;
    streams = calloc(count, sizeof *streams);
    for (int i = 0; i < count; i++) {
        int left = 0, right = 0;
        struct sockaddr_in talker, listener;
        sscanf(argv[3 + i], "%d:%d", &left, &right);
        streams[i].talker = open_socket(&talker);
        streams[i].listener = open_socket(&listener);
        streams[i].to = left ? loopback(left) : listener;
        acquaint(&streams[i], right);
    }
    pthread_t t;
    pthread_create(&t, NULL, listen_all, NULL);
    int64_t start = now();
    long sent = period ? paced(start + span, period) : flat_out(start + span);
    double seconds = (now() - start) / 1e9;
    /* Wait for the last packets. They count as lost if none arrives for half a second. At the rate of speech no packet may be
       lost, so wait for three seconds. */
    long was = -1;
    for (int64_t heard = now(); received < sent && now() - heard < (period ? 3000000000 : 500000000); usleep(1000))
        if (received != was) {
            was = received;
            heard = now();
        }
    done = 1;
    pthread_join(t, NULL);
    printf("%ld %ld %.0f %.1f %.1f\n", sent, received, received / seconds, quantile(.5), quantile(.99));
    return received == 0;
}
