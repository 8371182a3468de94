/* Logs what a process does to the files below a directory, in order, with the data; preloaded (ld.so(8), LD_PRELOAD).
 *
 * WRITES_BELOW: the directory. WRITES_LOG: the log. One record: a letter, then little-endian 8-byte integers and bytes:
 *   W path offset length data   write        T path length          ftruncate, or opening with O_TRUNC
 *   S path                      synced       D path                 a directory was synced
 *   C path                      created      U path                 unlinked
 *   R from to                   renamed      L from to              linked
 *   A length data               written to standard output: what was acknowledged
 * A path is its length and its bytes. Children are not logged.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

#define FDS 4096
static char *names[FDS];
static const char *below;
static int journal = -1;
static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static ssize_t (*real_write)(int, const void *, size_t);

static void *next_of(const char *name) { return dlsym(RTLD_NEXT, name); }

__attribute__((constructor)) static void begin(void) {
    real_write = next_of("write");
    below = getenv("WRITES_BELOW");
    const char *log = getenv("WRITES_LOG");
    int (*real_open)(const char *, int, ...) = next_of("open");
    if (below && log) journal = real_open(log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    unsetenv("LD_PRELOAD");
}

static int ours(const char *path) { return journal >= 0 && path && strncmp(path, below, strlen(below)) == 0; }

/* One record, gathered and written at once so that records never mix. */
static void note(char kind, const char *first, const char *second, int numbers, const uint64_t *values, const void *data, size_t size) {
    uint64_t lengths[2] = {first ? strlen(first) : 0, second ? strlen(second) : 0};
    struct iovec parts[8];
    int n = 0;
    parts[n++] = (struct iovec){&kind, 1};
    if (first) { parts[n++] = (struct iovec){&lengths[0], 8}; parts[n++] = (struct iovec){(void *)first, lengths[0]}; }
    if (second) { parts[n++] = (struct iovec){&lengths[1], 8}; parts[n++] = (struct iovec){(void *)second, lengths[1]}; }
    if (numbers) parts[n++] = (struct iovec){(void *)values, 8 * numbers};
    if (size) parts[n++] = (struct iovec){(void *)data, size};
    if (writev(journal, parts, n) < 0) abort();
}

static int opened(int fd, const char *path, int flags, int was_there) {
    if (fd < 0 || fd >= FDS || !ours(path)) return fd;
    pthread_mutex_lock(&turn);
    free(names[fd]);
    names[fd] = strdup(path);
    if (!was_there && !(flags & O_DIRECTORY)) note('C', path, NULL, 0, NULL, NULL, 0);
    uint64_t zero = 0;
    if (was_there && (flags & O_TRUNC)) note('T', path, NULL, 1, &zero, NULL, 0);
    pthread_mutex_unlock(&turn);
    return fd;
}

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        static int (*real)(const char *, int, ...); \
        if (!real) real = next_of(#name); \
        va_list rest; va_start(rest, flags); \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        int there = access(path, F_OK) == 0; \
        return opened(real(path, flags, mode), path, flags, there); \
    }
OPEN(open)
OPEN(open64)

int close(int fd) {
    static int (*real)(int);
    if (!real) real = next_of("close");
    if (fd >= 0 && fd < FDS && names[fd]) {
        pthread_mutex_lock(&turn);
        free(names[fd]);
        names[fd] = NULL;
        pthread_mutex_unlock(&turn);
    }
    return real(fd);
}

static void wrote(int fd, const void *data, ssize_t done, uint64_t offset) {
    if (done <= 0) return;
    uint64_t values[2] = {offset, (uint64_t)done};
    pthread_mutex_lock(&turn);
    note('W', names[fd], NULL, 2, values, data, done);
    pthread_mutex_unlock(&turn);
}

ssize_t write(int fd, const void *data, size_t size) {
    if (journal >= 0 && fd == 1) { /* noted before it is seen: an acknowledgement is a promise */
        uint64_t length = size;
        pthread_mutex_lock(&turn);
        note('A', NULL, NULL, 1, &length, data, size);
        pthread_mutex_unlock(&turn);
        return real_write(fd, data, size);
    }
    if (fd < 0 || fd >= FDS || !names[fd]) return real_write(fd, data, size);
    off_t at = fcntl(fd, F_GETFL) & O_APPEND ? lseek(fd, 0, SEEK_END) : lseek(fd, 0, SEEK_CUR);
    ssize_t done = real_write(fd, data, size);
    wrote(fd, data, done, at);
    return done;
}

#define PWRITE(name, offset_t) \
    ssize_t name(int fd, const void *data, size_t size, offset_t offset) { \
        static ssize_t (*real)(int, const void *, size_t, offset_t); \
        if (!real) real = next_of(#name); \
        ssize_t done = real(fd, data, size, offset); \
        if (fd >= 0 && fd < FDS && names[fd]) wrote(fd, data, done, offset); \
        return done; \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(name, offset_t) \
    int name(int fd, offset_t length) { \
        static int (*real)(int, offset_t); \
        if (!real) real = next_of(#name); \
        int done = real(fd, length); \
        uint64_t value = length; \
        if (!done && fd >= 0 && fd < FDS && names[fd]) { \
            pthread_mutex_lock(&turn); \
            note('T', names[fd], NULL, 1, &value, NULL, 0); \
            pthread_mutex_unlock(&turn); \
        } \
        return done; \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) { \
        static int (*real)(int); \
        if (!real) real = next_of(#name); \
        int done = real(fd); \
        struct stat about; \
        if (!done && fd >= 0 && fd < FDS && names[fd]) { \
            int directory = fstat(fd, &about) == 0 && S_ISDIR(about.st_mode); \
            pthread_mutex_lock(&turn); \
            note(directory ? 'D' : 'S', names[fd], NULL, 0, NULL, NULL, 0); \
            pthread_mutex_unlock(&turn); \
        } \
        return done; \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path) {
    static int (*real)(const char *);
    if (!real) real = next_of("unlink");
    int done = real(path);
    if (!done && ours(path)) {
        pthread_mutex_lock(&turn);
        note('U', path, NULL, 0, NULL, NULL, 0);
        pthread_mutex_unlock(&turn);
    }
    return done;
}

#define MOVE(name, letter) \
    int name(const char *from, const char *to) { \
        static int (*real)(const char *, const char *); \
        if (!real) real = next_of(#name); \
        int done = real(from, to); \
        if (!done && ours(to)) { \
            pthread_mutex_lock(&turn); \
            note(letter, from, to, 0, NULL, NULL, 0); \
            pthread_mutex_unlock(&turn); \
        } \
        return done; \
    }
MOVE(rename, 'R')
MOVE(link, 'L')
