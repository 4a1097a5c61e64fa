/* A slow disk: preloaded, it makes every sync take 150 ms longer while the file SLOW_WHILE_FILE exists. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static int after_delay(const char *name, int fd) {
  const char *file = getenv("SLOW_WHILE_FILE");
  if (file != NULL && access(file, F_OK) == 0) {
    struct timespec rest = {0, 150 * 1000000L};
    nanosleep(&rest, NULL);
  }
  int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
  return real(fd);
}

int fsync(int fd) { return after_delay("fsync", fd); }
int fdatasync(int fd) { return after_delay("fdatasync", fd); }
