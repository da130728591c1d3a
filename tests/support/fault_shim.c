/* Faults that no ordinary user may bring about, for one process (LD_PRELOAD): the
 * wall clock set, the machine asleep, a disk that does not answer a sync.
 *
 * FAULT_SHIM names a file of three doubles, mapped and read anew each time:
 * seconds added to the wall clock, seconds added to the clock that counts sleep,
 * and whether a sync waits (not 0).
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile double *orders;

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("FAULT_SHIM");
    int fd = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *at = mmap(NULL, 3 * sizeof(double), PROT_READ, MAP_SHARED, fd, 0);
    close(fd);
    if (at != MAP_FAILED) orders = at;
}

static void add(struct timespec *when, double seconds) {
    double whole = floor(seconds);
    when->tv_sec += (time_t)whole;
    when->tv_nsec += (long)((seconds - whole) * 1e9);
    if (when->tv_nsec >= 1000000000L) { when->tv_sec++; when->tv_nsec -= 1000000000L; }
}

int clock_gettime(clockid_t id, struct timespec *when) {
    int failed = (int)syscall(SYS_clock_gettime, id, when);
    if (failed || !orders) return failed;
    if (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE) add(when, orders[0]);
    if (id == CLOCK_BOOTTIME) add(when, orders[1]);
    return 0;
}

int gettimeofday(struct timeval *restrict when, void *restrict zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    when->tv_sec = now.tv_sec;
    when->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *when) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (when) *when = now.tv_sec;
    return now.tv_sec;
}

int fsync(int fd) {
    while (orders && orders[2] != 0.0) usleep(5000);
    return (int)syscall(SYS_fsync, fd);
}
