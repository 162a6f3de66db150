/* Writes down what a process does to the files of one directory, in order, so that a test can say what a
 * disk would hold had the power been cut at any moment. Preloaded before the C library; changes nothing
 * itself.
 *
 * SISKIN_TEST_DISK: the directory. SISKIN_TEST_DISK_LOG: the file that is appended to. Each record is an
 * operation (one character), three lengths or numbers (64 bits each, as the machine has them), a name and
 * data: c created, w written, t cut to a length, s synced, d the directory synced, u removed, r renamed (the
 * data is the new name), a told on standard output. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

#define FILES_MAX 1024

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char *names[FILES_MAX]; /* of the open files in the directory; "" is the directory itself */
static int disk_log = -1;
static const char *disk;
static size_t disk_length;

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("SISKIN_TEST_DISK_LOG");
    disk = getenv("SISKIN_TEST_DISK");
    if (!path || !disk)
        return;
    disk_length = strlen(disk);
    disk_log = (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
}

/* The name within the directory; NULL for anything else. */
static const char *within(const char *path) {
    if (disk_log < 0 || !path || strncmp(path, disk, disk_length) != 0)
        return NULL;
    if (path[disk_length] == '\0')
        return path + disk_length;
    return path[disk_length] == '/' ? path + disk_length + 1 : NULL;
}

static const char *name_of(int file) {
    return file >= 0 && file < FILES_MAX ? names[file] : NULL;
}

static void note(char what, const char *name, uint64_t at, const void *data, uint64_t length) {
    uint64_t numbers[3] = {at, strlen(name), length};
    struct iovec parts[4] = {{&what, 1}, {numbers, sizeof numbers}, {(void *)name, numbers[1]}, {(void *)data, length}};
    pthread_mutex_lock(&lock);
    if (syscall(SYS_writev, disk_log, parts, length > 0 ? 4 : 3) < 0)
        abort();
    pthread_mutex_unlock(&lock);
}

#define REAL(type, name, ...)                                   \
    static type (*real)(__VA_ARGS__);                           \
    if (!real)                                                  \
        real = (type(*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static int opened(const char *path, int flags, mode_t mode) {
    REAL(int, "open64", const char *, int, ...);
    const char *name = within(path);
    int is_new = name && *name && (flags & O_CREAT) && syscall(SYS_faccessat, AT_FDCWD, path, F_OK) != 0;
    int file = real(path, flags, mode);
    if (file < 0 || file >= FILES_MAX)
        return file;
    free(names[file]);
    names[file] = name ? strdup(name) : NULL;
    if (is_new)
        note('c', name, 0, NULL, 0);
    else if (name && *name && (flags & O_TRUNC))
        note('t', name, 0, NULL, 0);
    return file;
}

static mode_t mode_of(int flags, va_list arguments) {
    return flags & (O_CREAT | O_TMPFILE) ? va_arg(arguments, mode_t) : 0;
}

int open(const char *path, int flags, ...) {
    va_list arguments;
    va_start(arguments, flags);
    mode_t mode = mode_of(flags, arguments);
    va_end(arguments);
    return opened(path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    va_list arguments;
    va_start(arguments, flags);
    mode_t mode = mode_of(flags, arguments);
    va_end(arguments);
    return opened(path, flags, mode);
}

int close(int file) {
    REAL(int, "close", int);
    if (name_of(file)) {
        free(names[file]);
        names[file] = NULL;
    }
    return real(file);
}

static ssize_t written_at(int file, const void *data, size_t length, off64_t at) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    ssize_t written = real(file, data, length, at);
    if (name_of(file) && written > 0)
        note('w', name_of(file), (uint64_t)at, data, (uint64_t)written);
    return written;
}

ssize_t pwrite(int file, const void *data, size_t length, off_t at) {
    return written_at(file, data, length, at);
}

ssize_t pwrite64(int file, const void *data, size_t length, off64_t at) {
    return written_at(file, data, length, at);
}

ssize_t write(int file, const void *data, size_t length) {
    REAL(ssize_t, "write", int, const void *, size_t);
    off_t at = name_of(file) ? lseek(file, 0, SEEK_CUR) : 0;
    ssize_t written = real(file, data, length);
    if (disk_log >= 0 && file == STDOUT_FILENO && written > 0)
        note('a', "", 0, data, (uint64_t)written);
    else if (name_of(file) && written > 0)
        note('w', name_of(file), (uint64_t)at, data, (uint64_t)written);
    return written;
}

static int cut_to(int file, off64_t length) {
    REAL(int, "ftruncate64", int, off64_t);
    int done = real(file, length);
    if (name_of(file) && done == 0)
        note('t', name_of(file), (uint64_t)length, NULL, 0);
    return done;
}

int ftruncate(int file, off_t length) { return cut_to(file, length); }
int ftruncate64(int file, off64_t length) { return cut_to(file, length); }

static void synced(int file) {
    const char *name = name_of(file);
    if (name)
        note(*name ? 's' : 'd', name, 0, NULL, 0);
}

int fsync(int file) {
    REAL(int, "fsync", int);
    int done = real(file);
    if (done == 0)
        synced(file);
    return done;
}

int fdatasync(int file) {
    REAL(int, "fdatasync", int);
    int done = real(file);
    if (done == 0)
        synced(file);
    return done;
}

int unlink(const char *path) {
    REAL(int, "unlink", const char *);
    int done = real(path);
    if (within(path) && done == 0)
        note('u', within(path), 0, NULL, 0);
    return done;
}

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    int done = real(from, to);
    if (within(from) && within(to) && done == 0)
        note('r', within(from), 0, within(to), strlen(within(to)));
    return done;
}
