/* What the traffic pair is measured against: the plainest loops that C can have around the same system calls.
 *
 *   yardstick KIND ADDRESS PORT SIZE CORE FROM_NS TO_NS RATE_BIT_S
 *
 * KIND: tcp-send, tcp-receive, udp-single, udp-batch, udp-segment, udp-receive, udp-coalesce. SIZE is the buffer of TCP
 * or the payload of a datagram. Receivers are started first. Times are CLOCK_MONOTONIC; the window is kept by looking
 * at the clock after every call, as the pair does. A receiver of datagrams reads every sequence number, no more.
 * Prints one line of JSON. No error is forgiven: this is a yardstick.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#ifndef UDP_SEGMENT
#define UDP_SEGMENT 103
#define UDP_GRO 104
#endif
#define BATCH 64
#define BLOCK 65536
#define TAIL_NS 100000000LL
#define RECEIVE_BUFFER (32 * 1024 * 1024 / 2)

static int64_t from_ns, to_ns;
static int64_t bytes, datagrams, lost; /* of the window; lost: of the whole run */
static double cpu_from, cpu_to;
static int opened, closed;

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

static void must(int succeeded, const char *what)
{
    if (!succeeded) {
        perror(what);
        exit(1);
    }
}

/* Count what a call brought; 1 when everything is over. */
static int account(int64_t octets, int64_t units)
{
    int64_t now = now_ns();
    if (now < from_ns)
        return 0;
    if (!opened) {
        opened = 1;
        cpu_from = cpu_s();
    }
    if (now < to_ns) {
        bytes += octets;
        datagrams += units;
        return 0;
    }
    if (!closed) {
        closed = 1;
        cpu_to = cpu_s();
    }
    return now >= to_ns + TAIL_NS;
}

static int64_t expected = -1;

static void number(const char *datagram)
{
    int64_t got;
    memcpy(&got, datagram, sizeof got);
    if (expected >= 0)
        lost += got - expected;
    expected = got + 1;
}

static void tcp_send(int s, size_t size)
{
    char *buffer = malloc(size);
    memset(buffer, 7, size);
    for (;;) {
        ssize_t sent = send(s, buffer, size, MSG_NOSIGNAL);
        must(sent > 0 || errno == EAGAIN, "send");
        if (account(sent > 0 ? sent : 0, 0))
            return;
    }
}

static void tcp_receive(int s, size_t size)
{
    char *buffer = malloc(size);
    memset(buffer, 7, size);
    for (;;) {
        ssize_t got = recv(s, buffer, size, 0);
        if (got == 0)
            return;
        must(got > 0 || errno == EAGAIN, "recv");
        account(got > 0 ? got : 0, 0); /* until the sender closes */
    }
}

static void udp_send(int s, const char *kind, size_t size)
{
    int count = !strcmp(kind, "udp-single") ? 1 : BATCH;
    if (!strcmp(kind, "udp-segment") && count > (int)(65507 / size))
        count = 65507 / size;
    char *buffer = malloc(size * count);
    struct mmsghdr messages[BATCH] = {0};
    struct iovec parts[BATCH];
    int64_t next = 0;
    memset(buffer, 7, size * count);
    for (int i = 0; i < count; i++) {
        parts[i] = (struct iovec){buffer + i * size, size};
        messages[i].msg_hdr = (struct msghdr){.msg_iov = &parts[i], .msg_iovlen = 1};
    }
    if (!strcmp(kind, "udp-segment")) {
        int segment = size;
        must(!setsockopt(s, IPPROTO_UDP, UDP_SEGMENT, &segment, sizeof segment), "UDP_SEGMENT");
    }
    for (;;) {
        int sent;
        for (int i = 0; i < count; i++) {
            int64_t each = next + i;
            memcpy(buffer + i * size, &each, sizeof each);
        }
        if (!strcmp(kind, "udp-batch")) {
            sent = sendmmsg(s, messages, count, 0);
        } else {
            ssize_t got = send(s, buffer, size * count, 0);
            sent = got > 0 ? (int)(got / (ssize_t)size) : -1;
        }
        must(sent > 0 || errno == EAGAIN || errno == ECONNREFUSED, "send");
        sent = sent > 0 ? sent : 0;
        next += sent;
        if (account(sent * size, sent))
            return;
    }
}

static void udp_receive(int s, const char *kind, size_t size)
{
    int coalesce = !strcmp(kind, "udp-coalesce"), count = coalesce ? 32 : BATCH, one = 1;
    size_t room = coalesce ? BLOCK : size + 1;
    char *buffer = malloc(room * count);
    struct mmsghdr messages[BATCH] = {0};
    struct iovec parts[BATCH];
    memset(buffer, 7, room * count);
    for (int i = 0; i < count; i++) {
        parts[i] = (struct iovec){buffer + i * room, room};
        messages[i].msg_hdr = (struct msghdr){.msg_iov = &parts[i], .msg_iovlen = 1};
    }
    if (coalesce)
        must(!setsockopt(s, IPPROTO_UDP, UDP_GRO, &one, sizeof one), "UDP_GRO");
    for (;;) {
        int got = recvmmsg(s, messages, count, MSG_WAITFORONE, NULL);
        int64_t octets = 0, units = 0;
        must(got > 0 || errno == EAGAIN || errno == ECONNREFUSED, "recvmmsg");
        for (int i = 0; i < got; i++) {
            for (size_t place = 0; place + size <= messages[i].msg_len; place += size) {
                number(buffer + i * room + place);
                units++;
            }
            octets += messages[i].msg_len;
        }
        if (account(octets, units))
            return;
    }
}

int main(int argc, char **argv)
{
    must(argc == 9, "eight arguments");
    const char *kind = argv[1];
    int tcp = !strncmp(kind, "tcp", 3), receives = strstr(kind, "receive") || strstr(kind, "coalesce"), one = 1;
    size_t size = atol(argv[4]);
    int core = atoi(argv[5]);
    int64_t rate = atoll(argv[8]);
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons(atoi(argv[3]))};
    struct timeval patience = {0, 20000};
    from_ns = atoll(argv[6]);
    to_ns = atoll(argv[7]);
    inet_pton(AF_INET, argv[2], &address.sin_addr);
    if (core >= 0) {
        cpu_set_t cores;
        CPU_ZERO(&cores);
        CPU_SET(core, &cores);
        must(!sched_setaffinity(0, sizeof cores, &cores), "sched_setaffinity");
    }
    int s = socket(AF_INET, tcp ? SOCK_STREAM : SOCK_DGRAM, 0);
    setsockopt(s, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    if (receives) {
        int room = RECEIVE_BUFFER;
        if (!tcp && setsockopt(s, SOL_SOCKET, SO_RCVBUFFORCE, &room, sizeof room))
            setsockopt(s, SOL_SOCKET, SO_RCVBUF, &room, sizeof room);
        must(!bind(s, (struct sockaddr *)&address, sizeof address), "bind");
        if (tcp) {
            must(!listen(s, 1), "listen");
            printf("listening\n");
            fflush(stdout);
            s = accept(s, NULL, NULL);
            must(s >= 0, "accept");
        } else {
            printf("listening\n");
            fflush(stdout);
        }
        setsockopt(s, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
        if (tcp)
            tcp_receive(s, size);
        else
            udp_receive(s, kind, size);
    } else {
        if (rate)
            must(!setsockopt(s, SOL_SOCKET, SO_MAX_PACING_RATE, &(uint64_t){rate / 8}, 8), "SO_MAX_PACING_RATE");
        must(!connect(s, (struct sockaddr *)&address, sizeof address), "connect");
        setsockopt(s, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
        if (tcp)
            tcp_send(s, size);
        else
            udp_send(s, kind, size);
    }
    printf("{\"bytes\": %lld, \"datagrams\": %lld, \"lost\": %lld, \"cpu_s\": %.6f}\n", (long long)bytes,
           (long long)datagrams, (long long)lost, (closed ? cpu_to : cpu_s()) - cpu_from);
    return 0;
}
