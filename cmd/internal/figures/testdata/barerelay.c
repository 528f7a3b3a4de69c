/* The least that keeps a call's audio under a flood: one thread that passes UDP datagrams between two sockets and drops what does not
   come from whoever spoke first on a socket. Beside them it has two sockets that it never reads, for a flood that is aimed elsewhere.

   barerelay ADDRESS

   Prints the ports: LEFT RIGHT IDLE IDLE. Ends when its standard input does. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { MANY = 32, ROOM = 2048 };

static char room[MANY][ROOM];
static struct sockaddr_in peer[2];
static int fd[4];

static int open_at(const char *addr, int *port) {
    struct sockaddr_in a = {.sin_family = AF_INET};
    socklen_t len = sizeof a;
    inet_pton(AF_INET, addr, &a.sin_addr);
    int s = socket(AF_INET, SOCK_DGRAM | SOCK_NONBLOCK, 0);
    if (s < 0 || bind(s, (struct sockaddr *)&a, sizeof a) != 0 || getsockname(s, (struct sockaddr *)&a, &len) != 0) {
        perror("barerelay: socket");
        exit(1);
    }
    *port = ntohs(a.sin_port);
    return s;
}

static int same(const struct sockaddr_in *a, const struct sockaddr_in *b) {
    return a->sin_port == b->sin_port && a->sin_addr.s_addr == b->sin_addr.s_addr;
}

static void pass(int side) {
    struct mmsghdr msg[MANY];
    struct iovec part[MANY];
    struct sockaddr_in from[MANY];
    memset(msg, 0, sizeof msg);
    for (int i = 0; i < MANY; i++) {
        part[i].iov_base = room[i];
        part[i].iov_len = ROOM;
        msg[i].msg_hdr.msg_iov = &part[i];
        msg[i].msg_hdr.msg_iovlen = 1;
        msg[i].msg_hdr.msg_name = &from[i];
        msg[i].msg_hdr.msg_namelen = sizeof from[i];
    }
    int n = recvmmsg(fd[side], msg, MANY, 0, NULL);
    for (int i = 0; i < n; i++) {
        if (peer[side].sin_port == 0)
            peer[side] = from[i];
        if (same(&peer[side], &from[i]) && peer[!side].sin_port != 0)
            sendto(fd[!side], room[i], msg[i].msg_len, 0, (struct sockaddr *)&peer[!side], sizeof peer[!side]);
    }
}

int main(int argc, char **argv) {
    if (argc != 2) {
        fprintf(stderr, "usage: barerelay ADDRESS\n");
        return 2;
    }
    int port[4];
    struct pollfd in[3] = {{.fd = 0, .events = POLLIN}};
    for (int i = 0; i < 4; i++)
        fd[i] = open_at(argv[1], &port[i]);
    in[1] = (struct pollfd){.fd = fd[0], .events = POLLIN};
    in[2] = (struct pollfd){.fd = fd[1], .events = POLLIN};
    printf("%d %d %d %d\n", port[0], port[1], port[2], port[3]);
    fflush(stdout);
    while (poll(in, 3, -1) >= 0 && in[0].revents == 0) {
        if (in[1].revents)
            pass(0);
        if (in[2].revents)
            pass(1);
    }
    return 0;
}
