/* Yardstick for the relay's speed: one thread forwards UDP datagrams between pairs of loopback sockets, without checks.

   yardstick PAIRS one|many

   Each socket of a pair forwards what the other socket receives, to its own last sender. "one" makes two system calls a
   datagram, "many" receives and sends up to 32 at once. The kernel chooses the ports. Each pair is printed as "LEFT RIGHT",
   then "ready". The program ends when its standard input is closed. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

enum { MANY = 32, ROOM = 2048 };

struct half {
    int fd;
    int heard; /* whether last is set */
    struct sockaddr_in last;
};

static char room[MANY][ROOM];
static struct iovec part[MANY];
static struct mmsghdr msg[MANY];
static struct sockaddr_in sender[MANY];

static int open_half(struct half *h) {
    struct sockaddr_in a = {0};
    socklen_t len = sizeof a;
    a.sin_family = AF_INET;
    a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    h->fd = socket(AF_INET, SOCK_DGRAM | SOCK_NONBLOCK, 0);
    if (h->fd < 0 || bind(h->fd, (struct sockaddr *)&a, sizeof a) != 0 || getsockname(h->fd, (struct sockaddr *)&a, &len) != 0) {
        perror("yardstick: socket");
        exit(1);
    }
    return ntohs(a.sin_port);
}

static void pass_one(struct half *in, struct half *out) {
    socklen_t len = sizeof in->last;
    ssize_t n = recvfrom(in->fd, room[0], ROOM, 0, (struct sockaddr *)&in->last, &len);
    if (n < 0)
        return;
    in->heard = 1;
    if (out->heard)
        sendto(out->fd, room[0], n, 0, (struct sockaddr *)&out->last, sizeof out->last);
}

static void pass_many(struct half *in, struct half *out) {
    for (int i = 0; i < MANY; i++) {
        part[i].iov_base = room[i];
        part[i].iov_len = ROOM;
        memset(&msg[i], 0, sizeof msg[i]);
        msg[i].msg_hdr.msg_iov = &part[i];
        msg[i].msg_hdr.msg_iovlen = 1;
        msg[i].msg_hdr.msg_name = &sender[i];
        msg[i].msg_hdr.msg_namelen = sizeof sender[i];
    }
    int n = recvmmsg(in->fd, msg, MANY, 0, NULL);
    if (n <= 0)
        return;
    in->last = sender[n - 1];
    in->heard = 1;
    if (!out->heard)
        return;
    for (int i = 0; i < n; i++) {
        part[i].iov_len = msg[i].msg_len;
        msg[i].msg_hdr.msg_name = &out->last;
        msg[i].msg_hdr.msg_namelen = sizeof out->last;
    }
    sendmmsg(out->fd, msg, n, 0);
}

int main(int argc, char **argv) {
    if (argc != 3) {
        fprintf(stderr, "usage: yardstick PAIRS one|many\n");
        return 2;
    }
    int halves = 2 * atoi(argv[1]);
    void (*pass)(struct half *, struct half *) = strcmp(argv[2], "many") == 0 ? pass_many : pass_one;
    struct half *h = calloc(halves, sizeof *h);
    int ep = epoll_create1(0);
    struct epoll_event ev[64], in = {.events = EPOLLIN, .data.u32 = (uint32_t)-1};
    epoll_ctl(ep, EPOLL_CTL_ADD, STDIN_FILENO, &in);
    for (int i = 0; i < halves; i++) {
        printf("%d%c", open_half(&h[i]), i % 2 ? '\n' : ' ');
        struct epoll_event e = {.events = EPOLLIN, .data.u32 = i};
        epoll_ctl(ep, EPOLL_CTL_ADD, h[i].fd, &e);
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int n = epoll_wait(ep, ev, 64, -1);
        for (int k = 0; k < n; k++) {
            uint32_t i = ev[k].data.u32;
            if (i == (uint32_t)-1)
                return 0;
            pass(&h[i], &h[i ^ 1]);
        }
    }
}
