/* Stands between a program and the C library, and makes the disk fail on command.

   Built and loaded by shim.py (LD_PRELOAD). Every call that changes files under one folder is counted: create,
   write, truncate, fsync, rename, unlink, mkdir, rmdir. fault_arm() says what happens:
     TRACE  each call is written to a log with its data, in order
     KILL   at call number `at` the process is killed by SIGKILL, before the call is done
     TEAR   the same, but half of a write is done first
     FAIL   from call number `at` on, `times` calls fail with `error` and do nothing; a full disk (ENOSPC)
            still lets names be removed
     SLOW   each call waits `error` milliseconds
   What it does not see: writes through mmap (SQLite's -shm index only, which SQLite rebuilds), and calls that
   the C library makes within itself. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { OFF, TRACE, KILL, TEAR, FAIL, SLOW };
static int mode, log_fd = -1, error_;
static long at, times_, count_;
static char root[PATH_MAX];
static size_t root_length;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name);

void fault_arm(int new_mode, long new_at, long times, int error, const char *folder, int log)
{
    snprintf(root, sizeof root, "%s", folder);
    root_length = strlen(root);
    at = new_at, times_ = times, error_ = error, log_fd = log, count_ = 0;
    mode = new_mode;
}

long fault_count(void) { return count_; }

static int within(const char *path)
{
    return mode && !strncmp(path, root, root_length) && (path[root_length] == '/' || !path[root_length]);
}

static int path_of(int fd, char *path)
{
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = mode ? readlink(link, path, PATH_MAX - 1) : -1;
    path[n > 0 ? n : 0] = 0;
    return n > 0 && within(path);
}

static int path_at(int folder, const char *name, char *path)
{
    char base[PATH_MAX];
    if (!mode) return 0;
    if (name[0] == '/') snprintf(path, PATH_MAX, "%s", name);
    else {
        if (folder == AT_FDCWD) { if (!getcwd(base, sizeof base)) return 0; }
        else path_of(folder, base);
        if (snprintf(path, PATH_MAX, "%s/%s", base, name) >= PATH_MAX) return 0;
    }
    return within(path);
}

static void note(const char *what, const char *path, const char *other, long offset, const void *data, size_t size)
{
    char head[3 * PATH_MAX];
    if (mode != TRACE) return;
    int n = snprintf(head, sizeof head, "%s\t%s\t%s\t%ld\t%zu\n", what, path, other, offset, size);
    pthread_mutex_lock(&lock);
    syscall(SYS_write, log_fd, head, (size_t)n);
    if (size) syscall(SYS_write, log_fd, data, size);
    pthread_mutex_unlock(&lock);
}

/* Counts a call; 1 when it is to fail. */
static int reached(void)
{
    long number = __atomic_add_fetch(&count_, 1, __ATOMIC_SEQ_CST);
    if (mode == KILL && number == at) kill(getpid(), SIGKILL), pause();
    if (mode == SLOW) usleep((useconds_t)error_ * 1000);
    if (mode == FAIL && number >= at && number < at + times_) { errno = error_; return 1; }
    return 0;
}

static int torn(void)
{
    return mode == TEAR && __atomic_add_fetch(&count_, 1, __ATOMIC_SEQ_CST) == at;
}

ssize_t write(int fd, const void *data, size_t size)
{
    REAL(ssize_t, write, int, const void *, size_t)
    char path[PATH_MAX];
    if (!path_of(fd, path)) return real(fd, data, size);
    if (torn()) real(fd, data, size / 2), kill(getpid(), SIGKILL), pause();
    if (mode != TEAR && reached()) return -1;
    ssize_t n = real(fd, data, size);
    if (n > 0) note("write", path, "", (long)lseek(fd, 0, SEEK_CUR) - n, data, (size_t)n);
    return n;
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset)
{
    REAL(ssize_t, pwrite64, int, const void *, size_t, off64_t)
    char path[PATH_MAX];
    if (!path_of(fd, path)) return real(fd, data, size, offset);
    if (torn()) real(fd, data, size / 2, offset), kill(getpid(), SIGKILL), pause();
    if (mode != TEAR && reached()) return -1;
    ssize_t n = real(fd, data, size, offset);
    if (n > 0) note("write", path, "", (long)offset, data, (size_t)n);
    return n;
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t offset) { return pwrite64(fd, data, size, offset); }

static int opened(int fd, const char *path, int flags, int there)
{
    if (fd >= 0 && !there && (flags & O_CREAT)) note("create", path, "", 0, "", 0);
    if (fd >= 0 && there && (flags & O_TRUNC)) note("truncate", path, "", 0, "", 0);
    return fd;
}

static int open_(int folder, const char *name, int flags, mode_t rights)
{
    REAL(int, openat64, int, const char *, int, ...)
    char path[PATH_MAX];
    int counts = (flags & (O_CREAT | O_TRUNC)) && (flags & O_TMPFILE) != O_TMPFILE && path_at(folder, name, path);
    int there = counts && access(path, F_OK) == 0;
    if (counts && (!there || (flags & O_TRUNC)) && mode != TEAR && reached()) return -1;
    int fd = real(folder, name, flags, rights);
    return counts ? opened(fd, path, flags, there) : fd;
}

#define OPEN(name, before, folder) \
    int name(before const char *path, int flags, ...) \
    { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t rights = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        return open_(folder, path, flags, rights); \
    }
#define COMMA(x) x,
OPEN(open, , AT_FDCWD)
OPEN(open64, , AT_FDCWD)
OPEN(openat, COMMA(int folder), folder)
OPEN(openat64, COMMA(int folder), folder)

#define ONE(name, type, what) \
    int name(type x) \
    { \
        REAL(int, name, type) \
        char path[PATH_MAX]; \
        if (!path_of(x, path)) return real(x); \
        if (mode != TEAR && reached()) return -1; \
        int done = real(x); \
        if (!done) note(what, path, "", 0, "", 0); \
        return done; \
    }
ONE(fsync, int, "fsync")
ONE(fdatasync, int, "fsync")

int ftruncate64(int fd, off64_t size)
{
    REAL(int, ftruncate64, int, off64_t)
    char path[PATH_MAX];
    if (!path_of(fd, path)) return real(fd, size);
    if (mode != TEAR && reached()) return -1;
    int done = real(fd, size);
    if (!done) note("truncate", path, "", (long)size, "", 0);
    return done;
}

int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }

int renameat(int one, const char *old, int two, const char *new)
{
    REAL(int, renameat, int, const char *, int, const char *)
    char from[PATH_MAX], to[PATH_MAX];
    if (!(path_at(one, old, from) | path_at(two, new, to))) return real(one, old, two, new);
    if (mode != TEAR && reached()) return -1;
    int done = real(one, old, two, new);
    if (!done) note("rename", from, to, 0, "", 0);
    return done;
}

int rename(const char *old, const char *new) { return renameat(AT_FDCWD, old, AT_FDCWD, new); }

int unlinkat(int folder, const char *name, int flags)
{
    REAL(int, unlinkat, int, const char *, int)
    char path[PATH_MAX];
    if (!path_at(folder, name, path)) return real(folder, name, flags);
    if (mode != TEAR && !(mode == FAIL && error_ == ENOSPC) && reached()) return -1;
    int done = real(folder, name, flags);
    if (!done) note(flags & AT_REMOVEDIR ? "rmdir" : "unlink", path, "", 0, "", 0);
    return done;
}

int unlink(const char *path) { return unlinkat(AT_FDCWD, path, 0); }
int rmdir(const char *path) { return unlinkat(AT_FDCWD, path, AT_REMOVEDIR); }

int mkdirat(int folder, const char *name, mode_t rights)
{
    REAL(int, mkdirat, int, const char *, mode_t)
    char path[PATH_MAX];
    if (!path_at(folder, name, path)) return real(folder, name, rights);
    if (mode != TEAR && reached()) return -1;
    int done = real(folder, name, rights);
    if (!done) note("mkdir", path, "", 0, "", 0);
    return done;
}

int mkdir(const char *path, mode_t rights) { return mkdirat(AT_FDCWD, path, rights); }

/* Python then copies by read and write, which are seen. */
ssize_t sendfile64(int out, int in, off64_t *offset, size_t size)
{
    REAL(ssize_t, sendfile64, int, int, off64_t *, size_t)
    char path[PATH_MAX];
    if (!path_of(out, path)) return real(out, in, offset, size);
    errno = ENOTSOCK;
    return -1;
}

ssize_t sendfile(int out, int in, off_t *offset, size_t size) { return sendfile64(out, in, offset, size); }
