/* Floods a daemon with what strangers send, over UDP on loopback, each burst from another address and port.

   flood SECONDS PACKETS_PER_SECOND SEED TARGET...

   TARGET is sip:ADDRESS:PORT:USER, media:ADDRESS:PORT or bye:SOURCE:ADDRESS:PORT:USER; every packet goes to one of them, drawn evenly. SIP
   targets get random bytes,
   requests of strangers (OPTIONS, REGISTER with and without credentials, INVITE with a session description, SUBSCRIBE, MESSAGE), requests and
   responses of calls that nobody has, damaged requests, and now and then ones of 8 to 60 kB or with hundreds of header fields. Media
   targets get RTP of other sources, RTCP and random bytes. Sources are drawn from 127.1.0.0 to 127.62.255.255. A target of BYEs gets BYEs of no
   call, from the address SOURCE and a new port for each burst.
   Prints the packets sent and the seconds taken. Ends early when its standard input does. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BURST = 32, ROOM = 64000, TARGETS = 64 };

struct target {
    struct sockaddr_in to;
    char addr[32], user[64], source[32];
    int media, byes;
};

static struct target targets[TARGETS];
static int count;
static uint64_t state;
static char room[BURST][ROOM];

/* xorshift64*: from memory; any generator would do. */
static uint32_t draw(void) {
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (state * 2685821657736338717ULL) >> 32;
}

static int64_t now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static int noise(char *b, int n) {
    for (int i = 0; i < n; i += 4) {
        uint32_t x = draw();
        memcpy(b + i, &x, 4);
    }
    return n;
}

static const char *const methods[] = {"OPTIONS", "REGISTER", "INVITE", "INVITE", "BYE", "CANCEL", "SUBSCRIBE", "MESSAGE", "NOTIFY", "UPDATE", "ACK"};

static int bye(char *b, const struct target *t, const char *from, int port) {
    return sprintf(b,
                   "BYE sip:%s@%s SIP/2.0\r\nVia: SIP/2.0/UDP %s:%d;branch=z9hG4bK%08x%08x;rport\r\nMax-Forwards: 70\r\nFrom: <sip:%s@%s>;tag=%08x\r\n"
                   "To: <sip:%s@%s>;tag=%08x\r\nCall-ID: %08x%08x\r\nCSeq: 2 BYE\r\nContent-Length: 0\r\n\r\n",
                   t->user, t->addr, from, port, draw(), draw(), t->user, from, draw(), t->user, t->addr, draw(), draw(), draw());
}

static int request(char *b, const struct target *t, const char *from, int port) {
    const char *m = methods[draw() % (sizeof methods / sizeof *methods)];
    const char *body = "";
    char tag[32] = "", auth[256] = "";
    if (strcmp(m, "INVITE") == 0)
        body = "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio 9 RTP/AVP 0\r\n";
    if (strchr("BUN", *m) != NULL)
        sprintf(tag, ";tag=%08x", draw());
    if (draw() % 2)
        sprintf(auth, "Authorization: Digest username=\"%s\", realm=\"clearback\", nonce=\"%08x\", uri=\"sip:%s\", response=\"%08x%08x%08x%08x\"\r\n", t->user,
                draw(), t->addr, draw(), draw(), draw(), draw());
    return sprintf(b,
                   "%s sip:%s@%s SIP/2.0\r\nVia: SIP/2.0/UDP %s:%d;branch=z9hG4bK%08x%08x;rport\r\nMax-Forwards: 70\r\nFrom: <sip:%s@%s>;tag=%08x\r\n"
                   "To: <sip:%s@%s>%s\r\nCall-ID: %08x%08x\r\nCSeq: %u %s\r\nContact: <sip:x@%s:%d>\r\n%s%sContent-Length: %d\r\n\r\n%s",
                   m, t->user, t->addr, from, port, draw(), draw(), t->user, t->addr, draw(), t->user, t->addr, tag, draw(), draw(), draw() % 9000 + 1, m,
                   from, port, auth, *body ? "Content-Type: application/sdp\r\n" : "", (int)strlen(body), body);
}

static int sip(char *b, const struct target *t, const char *from, int port) {
    uint32_t kind = draw() % 100;
    int n;
    if (kind < 20)
        return noise(b, draw() % 1400 + 1);
    if (draw() % 2000 == 0) { /* a long one */
        n = request(b, t, from, port) - 2;
        for (int end = 8000 + draw() % 52000; n < end;)
            n += sprintf(b + n, "X-%x: %08x%08x%08x\r\n", draw() % 4096, draw(), draw(), draw());
        return n + sprintf(b + n, "\r\n");
    }
    if (kind < 30)
        return sprintf(b,
                       "SIP/2.0 %u OK\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bK%08x\r\nFrom: <sip:x@%s>;tag=%08x\r\nTo: <sip:x@%s>;tag=%08x\r\n"
                       "Call-ID: %08x\r\nCSeq: 1 INVITE\r\nContent-Length: 0\r\n\r\n",
                       draw() % 500 + 100, t->addr, draw(), from, draw(), from, draw(), draw());
    n = request(b, t, from, port);
    if (kind < 45) {
        for (int i = 0; i < 8; i++)
            b[draw() % n] = draw();
        if (draw() % 4 == 0)
            n = draw() % n + 1;
    }
    return n;
}

static int media(char *b) {
    uint32_t kind = draw() % 10;
    if (kind == 0)
        return noise(b, draw() % 1400 + 1);
    int n = noise(b, kind < 3 ? 32 : 172);
    b[0] = (char)0x80;
    b[1] = kind < 3 ? (char)200 : 0; /* a sender's report (RFC 3550 section 6.4.1), or G.711 */
    return n;
}

/* stranger opens a socket at an address and port that it did not have before; at a known address, at another port. */
static int stranger(const struct target *t, char *from, int *port) {
    struct sockaddr_in a = {.sin_family = AF_INET};
    socklen_t len = sizeof a;
    uint32_t x = draw();
    a.sin_addr.s_addr = htonl(0x7f000000 | (1 + x % 62) << 16 | (x >> 8 & 0xffff));
    if (t->byes)
        inet_pton(AF_INET, t->source, &a.sin_addr);
    int fd = socket(AF_INET, SOCK_DGRAM, 0), big = 1 << 20;
    setsockopt(fd, SOL_SOCKET, SO_SNDBUF, &big, sizeof big);
    if (fd < 0 || bind(fd, (struct sockaddr *)&a, sizeof a) != 0 || getsockname(fd, (struct sockaddr *)&a, &len) != 0) {
        perror("flood: socket");
        exit(1);
    }
    inet_ntop(AF_INET, &a.sin_addr, from, 32);
    *port = ntohs(a.sin_port);
    return fd;
}

static int burst(int n) {
    struct mmsghdr msg[BURST];
    struct iovec part[BURST];
    char from[32];
    struct target *t = &targets[draw() % count];
    int port, fd = stranger(t, from, &port);
    memset(msg, 0, sizeof msg);
    for (int i = 0; i < n; i++) {
        if (!t->byes)
            t = &targets[draw() % count];
        part[i].iov_base = room[i];
        part[i].iov_len = t->media ? media(room[i]) : t->byes ? bye(room[i], t, from, port) : sip(room[i], t, from, port);
        msg[i].msg_hdr.msg_iov = &part[i];
        msg[i].msg_hdr.msg_iovlen = 1;
        msg[i].msg_hdr.msg_name = &t->to;
        msg[i].msg_hdr.msg_namelen = sizeof t->to;
    }
    int sent = sendmmsg(fd, msg, n, 0);
    close(fd);
    return sent < 0 ? 0 : sent;
}

int main(int argc, char **argv) {
    if (argc < 5 || argc - 4 > TARGETS) {
        fprintf(stderr, "usage: flood SECONDS PACKETS_PER_SECOND SEED TARGET...\n");
        return 2;
    }
    double seconds = atof(argv[1]), rate = atof(argv[2]);
    state = strtoull(argv[3], NULL, 10) * 2 + 1;
    for (int i = 4; i < argc; i++) {
        struct target *t = &targets[count++];
        int port;
        t->to.sin_family = AF_INET;
        t->byes = sscanf(argv[i], "bye:%31[0-9.]:%31[0-9.]:%d:%63s", t->source, t->addr, &port, t->user) == 4;
        if (!t->byes && sscanf(argv[i], "sip:%31[0-9.]:%d:%63s", t->addr, &port, t->user) != 3) {
            t->media = 1;
            if (sscanf(argv[i], "media:%31[0-9.]:%d", t->addr, &port) != 2) {
                fprintf(stderr, "flood: %s is no target\n", argv[i]);
                return 2;
            }
        }
        inet_pton(AF_INET, t->addr, &t->to.sin_addr);
        t->to.sin_port = htons(port);
    }
    int64_t start = now();
    long sent = 0, tried = 0;
    for (;;) {
        double passed = (now() - start) / 1e9;
        struct pollfd in = {.fd = 0, .events = POLLIN};
        if (passed >= seconds || poll(&in, 1, 0) > 0)
            break;
        long due = rate * passed;
        if (due - tried > rate / 5) /* what a busy machine kept us from is not made good in one heap */
            tried = due - rate / 5;
        if (due - tried < BURST) {
            usleep(200);
            continue;
        }
        sent += burst(BURST);
        tried += BURST;
    }
    printf("%ld %.3f\n", sent, (now() - start) / 1e9);
    return 0;
}
