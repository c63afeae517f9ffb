/* A disk and a clock for tests, preloaded into a process. Three things, each by itself or together:
 *
 * It fails now and then: one in N calls on regular files is refused, or takes only a part of what it was to write.
 *
 *   DISK_FAILS_EVERY   N; not set: it never fails
 *   DISK_SEED          where the random numbers begin, so that a failure can be had again
 *
 * It kills the process (SIGKILL) at one of its calls, so that a kill lands within the work that it is meant for however loaded the machine
 * is. The process says on its standard output what it is about to do, a line `W KIND`; other lines in capitals (`J 17`) say what others may
 * rely on from then on.
 *
 *   DISK_KILLS_IN      a KIND. Counted are its calls after the first such line, those of `opening` at once
 *   DISK_KILLS_AT      at which of them, from 1
 *   DISK_KILLS_HOW     0: before it, 1: half way through what it writes, 2: right after it
 *
 * Its monotonic clock runs faster, so that what is done once a minute is done within a second.
 *
 *   CLOCK_TIMES        how many times
 *
 * When the work changes, it says how many calls the former one took and how many of them failed, `N KIND CALLS FAILED`; before it kills,
 * `X KIND CALL HOW`.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int begun, relied_on;
static unsigned long long state;
static unsigned long every, failed, calls, counted, kills_at;
static int kills_how;
static const char *kills_in;
static char work[32] = "opening";

static unsigned long number_of(const char *name) {
    const char *text = getenv(name);
    return text ? strtoul(text, NULL, 10) : 0;
}

static void begin(void) {
    if (begun)
        return;
    begun = 1;
    const char *seed = getenv("DISK_SEED");
    state = (seed ? strtoull(seed, NULL, 10) : 0) | 1;
    every = number_of("DISK_FAILS_EVERY");
    kills_in = getenv("DISK_KILLS_IN");
    kills_at = number_of("DISK_KILLS_AT");
    kills_how = (int)number_of("DISK_KILLS_HOW");
}

#define REAL(name, result, ...)                                                           \
    static result (*real)(__VA_ARGS__);                                                   \
    if (!real)                                                                            \
    real = dlsym(RTLD_NEXT, name)

static ssize_t really_write(int fd, const void *bytes, size_t count) {
    REAL("write", ssize_t, int, const void *, size_t);
    return real(fd, bytes, count);
}

static void say(const char *text) {
    if (really_write(1, text, strlen(text)) < 0)
        _exit(3);
}

static void die(const char *call, const char *how) {
    char line[128];
    snprintf(line, sizeof line, "\nX %s %s %s\n", work, call, how);
    say(line);
    for (;;)
        kill(getpid(), SIGKILL);
}

enum how { WELL, REFUSED, IN_PART, KILLED_WITHIN, KILLED_AFTER };

/* What is to become of a call on the disk. */
static enum how turn(const char *call) {
    pthread_mutex_lock(&lock);
    begin();
    enum how how = WELL;
    calls++;
    if (kills_in && strcmp(kills_in, work) == 0 && (relied_on || strcmp(work, "opening") == 0) && ++counted == kills_at) {
        if (kills_how == 0)
            die(call, "before");
        how = kills_how == 1 ? KILLED_WITHIN : KILLED_AFTER;
    } else if (every) {
        /* xorshift64 */
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        if (state % every == 0) {
            failed++;
            errno = (state >> 20) % 2 ? ENOSPC : EIO;
            how = (state >> 24) % 2 ? REFUSED : IN_PART;
        }
    }
    pthread_mutex_unlock(&lock);
    return how;
}

static int is_regular(int fd) {
    struct stat about;
    return fstat(fd, &about) == 0 && S_ISREG(about.st_mode);
}

/* What the process says of itself. */
static void heard(const char *bytes, size_t count) {
    if (count < 4 || bytes[0] != '\n' || bytes[1] < 'A' || bytes[1] > 'Z' || bytes[2] != ' ')
        return;
    pthread_mutex_lock(&lock);
    begin();
    if (bytes[1] == 'W') {
        char line[128];
        snprintf(line, sizeof line, "N %s %lu %lu\n", work, calls, failed);
        size_t length = 0;
        while (length + 1 < sizeof work && 3 + length < count && bytes[3 + length] > ' ') {
            work[length] = bytes[3 + length];
            length++;
        }
        work[length] = 0;
        calls = failed = 0;
        say(line);
    } else {
        relied_on = 1;
    }
    pthread_mutex_unlock(&lock);
}

ssize_t write(int fd, const void *bytes, size_t count) {
    if (fd == 1) {
        ssize_t written = really_write(fd, bytes, count);
        heard(bytes, count);
        return written;
    }
    if (!is_regular(fd))
        return really_write(fd, bytes, count);
    size_t half = count > 1 ? count / 2 : count;
    ssize_t written;
    switch (turn("write")) {
    case REFUSED:
        return -1;
    case IN_PART:
        return really_write(fd, bytes, half);
    case KILLED_WITHIN:
        written = really_write(fd, bytes, half);
        die("write", "within");
        return written;
    case KILLED_AFTER:
        written = really_write(fd, bytes, count);
        die("write", "after");
        return written;
    default:
        return really_write(fd, bytes, count);
    }
}

#define PWRITE(name, offset_type)                                                         \
    ssize_t name(int fd, const void *bytes, size_t count, offset_type offset) {           \
        REAL(#name, ssize_t, int, const void *, size_t, offset_type);                     \
        size_t half = count > 1 ? count / 2 : count;                                      \
        ssize_t written;                                                                  \
        switch (turn("write")) {                                                          \
        case REFUSED:                                                                     \
            return -1;                                                                    \
        case IN_PART:                                                                     \
            return real(fd, bytes, half, offset);                                         \
        case KILLED_WITHIN:                                                               \
            written = real(fd, bytes, half, offset);                                      \
            die("write", "within");                                                       \
            return written;                                                               \
        case KILLED_AFTER:                                                                \
            written = real(fd, bytes, count, offset);                                     \
            die("write", "after");                                                        \
            return written;                                                               \
        default:                                                                          \
            return real(fd, bytes, count, offset);                                        \
        }                                                                                 \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

/* Calls that are made whole or not at all. */
#define WHOLE(type, name, call, parameters, ...)                                          \
    type name parameters {                                                                 \
        static type(*real) parameters;                                                    \
        if (!real)                                                                        \
            real = dlsym(RTLD_NEXT, #name);                                               \
        type result;                                                                      \
        switch (turn(call)) {                                                             \
        case REFUSED:                                                                     \
        case IN_PART:                                                                     \
            return -1;                                                                    \
        case KILLED_WITHIN:                                                               \
        case KILLED_AFTER:                                                                \
            result = real(__VA_ARGS__);                                                   \
            die(call, "after");                                                           \
            return result;                                                                \
        default:                                                                          \
            return real(__VA_ARGS__);                                                     \
        }                                                                                 \
    }
WHOLE(ssize_t, writev, "write", (int fd, const struct iovec *parts, int count), fd, parts, count)
WHOLE(int, fsync, "sync", (int fd), fd)
WHOLE(int, fdatasync, "sync", (int fd), fd)
WHOLE(int, ftruncate, "cut", (int fd, off_t length), fd, length)
WHOLE(int, ftruncate64, "cut", (int fd, off64_t length), fd, length)
WHOLE(int, rename, "rename", (const char *from, const char *to), from, to)
WHOLE(int, unlink, "remove", (const char *path), path)

static int (*real_clock)(clockid_t, struct timespec *);
static struct timespec clock_began;
static long long clock_times;

static void begin_clock(void) {
    real_clock = dlsym(RTLD_NEXT, "clock_gettime");
    clock_times = number_of("CLOCK_TIMES");
    real_clock(CLOCK_MONOTONIC, &clock_began);
}

int clock_gettime(clockid_t clock, struct timespec *time) {
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    pthread_once(&once, begin_clock);
    int result = real_clock(clock, time);
    if (result == 0 && clock == CLOCK_MONOTONIC && clock_times > 1) {
        long long second = 1000000000;
        long long passed = (time->tv_sec - clock_began.tv_sec) * second + time->tv_nsec - clock_began.tv_nsec;
        passed = passed * clock_times + clock_began.tv_nsec;
        time->tv_sec = clock_began.tv_sec + passed / second;
        time->tv_nsec = passed % second;
    }
    return result;
}
