/* A slow disk: preloaded, it makes every sync of a file take SYNC_DELAY_MS longer. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>

static int after_delay(const char *name, int fd) {
  const char *text = getenv("SYNC_DELAY_MS");
  long ms = text == NULL ? 0 : atol(text);
  struct timespec rest = {ms / 1000, (ms % 1000) * 1000000L};
  nanosleep(&rest, NULL);
  int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
  return real(fd);
}

int fsync(int fd) { return after_delay("fsync", fd); }
int fdatasync(int fd) { return after_delay("fdatasync", fd); }
