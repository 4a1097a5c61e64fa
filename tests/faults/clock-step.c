/* A clock that is set: preloaded, it moves the system's clock by the seconds that stand in the file CLOCK_STEP_FILE. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long step(void) {
  char text[32] = {0};
  const char *name = getenv("CLOCK_STEP_FILE");
  int fd = name == NULL ? -1 : open(name, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return 0;
  long seconds = read(fd, text, sizeof text - 1) > 0 ? atol(text) : 0;
  close(fd);
  return seconds;
}

int gettimeofday(struct timeval *restrict tv, void *restrict zone) {
  int (*real)(struct timeval *, void *) = (int (*)(struct timeval *, void *))dlsym(RTLD_NEXT, "gettimeofday");
  int result = real(tv, zone);
  if (result == 0 && tv != NULL) tv->tv_sec += step();
  return result;
}

int clock_gettime(clockid_t clock, struct timespec *ts) {
  int (*real)(clockid_t, struct timespec *) = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
  int result = real(clock, ts);
  if (result == 0 && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) ts->tv_sec += step();
  return result;
}
