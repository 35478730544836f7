/* Stands between a process and the C library: the nth call that touches a folder fails.
 *
 * Loaded with LD_PRELOAD. `nth_arm` says which call, with which errno, and whether a write is
 * cut short before it; `nth_calls` says how many there were since. Everything below SQLite,
 * Arrow and Python goes through here.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static char under[4096];
static long nth, calls, last;
static int error, cut, armed;
static char failed[4400];

void nth_arm(const char *folder, long n, int number, int shorten)
{
    snprintf(under, sizeof under, "%s", folder);
    nth = n; error = number; cut = shorten; calls = 0; failed[0] = 0;
    last = shorten ? 2 : 1;  /* a write that is cut short, and the next call fails */
    armed = 1;
}

long nth_calls(void) { armed = 0; return calls; }
const char *nth_failed(void) { return failed; }

static int inside(const char *path)
{
    return armed && path && strncmp(path, under, strlen(under)) == 0;
}

static int fd_inside(int fd, char *path)
{
    char link[64];
    ssize_t n;
    if (!armed)
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    n = readlink(link, path, 4095);
    path[n > 0 ? n : 0] = 0;
    return inside(path);
}

static int due(const char *what, const char *path)
{
    calls++;
    if (nth <= 0 || calls < nth || calls >= nth + last)
        return 0;
    snprintf(failed, sizeof failed, "%s %s", what, path);
    errno = error;
    return 1;
}

#define REAL(name) static __typeof__(&name) real; if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        REAL(name); va_list more; mode_t mode = 0; \
        va_start(more, flags); if (flags & (O_CREAT | O_TMPFILE)) mode = va_arg(more, mode_t); va_end(more); \
        if (inside(path) && due(#name, path)) return -1; \
        return real(path, flags, mode); }
OPEN(open)
OPEN(open64)

#define OPENAT(name) \
    int name(int at, const char *path, int flags, ...) { \
        REAL(name); va_list more; mode_t mode = 0; \
        va_start(more, flags); if (flags & (O_CREAT | O_TMPFILE)) mode = va_arg(more, mode_t); va_end(more); \
        if (inside(path) && due(#name, path)) return -1; \
        return real(at, path, flags, mode); }
OPENAT(openat)
OPENAT(openat64)

#define WRITE(name, params, args, shorter) \
    ssize_t name params { \
        REAL(name); char path[4096]; \
        if (fd_inside(fd, path) && due(#name, path)) { \
            if (cut && n > 1) { n = n / 2; return shorter; } \
            return -1; } \
        return real args; }
WRITE(write, (int fd, const void *b, size_t n), (fd, b, n), real(fd, b, n))
WRITE(pwrite, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o), real(fd, b, n, o))
WRITE(pwrite64, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o), real(fd, b, n, o))

#define READ(name, params, args) \
    ssize_t name params { \
        REAL(name); char path[4096]; \
        if (fd_inside(fd, path) && due(#name, path)) return -1; \
        return real args; }
READ(read, (int fd, void *b, size_t n), (fd, b, n))
READ(pread, (int fd, void *b, size_t n, off_t o), (fd, b, n, o))
READ(pread64, (int fd, void *b, size_t n, off64_t o), (fd, b, n, o))

#define ONE_FD(name, params, args) \
    int name params { \
        REAL(name); char path[4096]; \
        if (fd_inside(fd, path) && due(#name, path)) return -1; \
        return real args; }
ONE_FD(fsync, (int fd), (fd))
ONE_FD(fdatasync, (int fd), (fd))
ONE_FD(ftruncate, (int fd, off_t n), (fd, n))
ONE_FD(ftruncate64, (int fd, off64_t n), (fd, n))

#define ONE_PATH(name, params, args) \
    int name params { \
        REAL(name); \
        if (inside(path) && due(#name, path)) return -1; \
        return real args; }
ONE_PATH(unlink, (const char *path), (path))
ONE_PATH(rmdir, (const char *path), (path))
ONE_PATH(mkdir, (const char *path, mode_t mode), (path, mode))
ONE_PATH(rename, (const char *path, const char *to), (path, to))
