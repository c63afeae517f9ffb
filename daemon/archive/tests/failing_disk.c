/* A disk that fails now and then, for tests: preloaded into a process, it has one in N of its writes to regular files fail, write only a
 * part, or not reach the disk when synced.
 *
 *   FAILING_DISK_EVERY   N
 *   FAILING_DISK_SEED    where the numbers begin, so that a failure can be had again
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static unsigned long long state;
static unsigned long every;

/* xorshift64 */
static unsigned long long next(void) {
    pthread_mutex_lock(&lock);
    if (state == 0) {
        const char *seed = getenv("FAILING_DISK_SEED");
        const char *often = getenv("FAILING_DISK_EVERY");
        state = (seed ? strtoull(seed, NULL, 10) : 0) | 1;
        every = often ? strtoul(often, NULL, 10) : 0;
    }
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    unsigned long long number = state;
    pthread_mutex_unlock(&lock);
    return number;
}

/* 0: all is well, 1: refuse, 2: take a part. */
static int fault(int fd) {
    struct stat about;
    if (fstat(fd, &about) != 0 || !S_ISREG(about.st_mode))
        return 0;
    unsigned long long number = next();
    if (every == 0 || number % every != 0)
        return 0;
    errno = (number >> 20) % 2 ? ENOSPC : EIO;
    return (number >> 24) % 2 ? 1 : 2;
}

ssize_t write(int fd, const void *bytes, size_t count) {
    static ssize_t (*real)(int, const void *, size_t);
    if (!real)
        real = dlsym(RTLD_NEXT, "write");
    switch (fault(fd)) {
    case 1:
        return -1;
    case 2:
        return real(fd, bytes, count > 1 ? count / 2 : count);
    default:
        return real(fd, bytes, count);
    }
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    static ssize_t (*real)(int, const struct iovec *, int);
    if (!real)
        real = dlsym(RTLD_NEXT, "writev");
    if (fault(fd))
        return -1;
    return real(fd, parts, count);
}

#define PWRITE(name, offset_type)                                                         \
    ssize_t name(int fd, const void *bytes, size_t count, offset_type offset) {           \
        static ssize_t (*real)(int, const void *, size_t, offset_type);                   \
        if (!real)                                                                        \
            real = dlsym(RTLD_NEXT, #name);                                               \
        switch (fault(fd)) {                                                              \
        case 1:                                                                           \
            return -1;                                                                    \
        case 2:                                                                           \
            return real(fd, bytes, count > 1 ? count / 2 : count, offset);                \
        default:                                                                          \
            return real(fd, bytes, count, offset);                                        \
        }                                                                                 \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define SYNC(name)                                                                        \
    int name(int fd) {                                                                    \
        static int (*real)(int);                                                          \
        if (!real)                                                                        \
            real = dlsym(RTLD_NEXT, #name);                                               \
        return fault(fd) ? -1 : real(fd);                                                 \
    }
SYNC(fsync)
SYNC(fdatasync)
