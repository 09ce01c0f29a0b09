#include "record_disk.h"

#include <errno.h>
#include <fcntl.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static int sys_open(const char *path, int flags, mode_t mode) { return open(path, flags, mode); }
static const ogv_disk_calls sys_calls = {sys_open, write, fsync, close, rename};
static _Atomic(const ogv_disk_calls *) current = &sys_calls;

void ogv_disk_use(const ogv_disk_calls *calls) { atomic_store(&current, calls ? calls : &sys_calls); }

static ogv_status disk_error(ogv_error *err, const char *doing, const char *path, int e) {
  bool denied = e == EACCES || e == EPERM || e == EROFS;
  return ogv_fail(err, denied ? OGV_E_DENIED : OGV_E_IO,
                  e == ENOSPC || e == EDQUOT || e == EFBIG
                      ? "Free some space on that disk, then run it again; nothing was half stored."
                  : denied ? "Check who may write in the record's folder."
                           : "Check the disk, then run it again; nothing was half stored.",
                  "cannot %s %s: %s", doing, path, strerror(e));
}

ogv_status ogv_disk_make(const char *home, ogv_error *err) {
  char path[4096];
  int n = snprintf(path, sizeof path, "%s/objects/incoming", home);
  if (n < 0 || (size_t)n >= sizeof path)
    return ogv_fail(err, OGV_E_INVALID, NULL, "folder name too long: %.200s", home);
  return ogv_folder_make(path, err);
}

ogv_status ogv_disk_path(const char *home, const char *sha256, char *buf, size_t size, ogv_error *err) {
  if (strlen(sha256) != 64 || strspn(sha256, "0123456789abcdef") != 64)
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "\"%.70s\" is not a SHA-256", sha256);
  int n = snprintf(buf, size, "%s/objects/%.2s/%s", home, sha256, sha256 + 2);
  return n > 0 && (size_t)n < size ? OGV_OK : ogv_fail(err, OGV_E_INVALID, NULL, "folder name too long: %.200s", home);
}

static int write_all(const ogv_disk_calls *c, int fd, const char *p, size_t n) {
  while (n) {
    ssize_t w = c->write(fd, p, n);
    if (w < 0 && errno == EINTR) continue;
    if (w < 0) return errno;
    if (w == 0) return EIO;
    p += w;
    n -= (size_t)w;
  }
  return c->fsync(fd) ? errno : 0;
}

static int sync_folder(const ogv_disk_calls *c, const char *path) {
  char dir[4096];
  snprintf(dir, sizeof dir, "%s", path);
  char *slash = strrchr(dir, '/');
  if (slash) *slash = 0;
  int fd = c->open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);
  if (fd < 0) return errno;
  int e = c->fsync(fd) ? errno : 0;
  if (c->close(fd) && !e) e = errno;
  return e == EINVAL ? 0 : e; /* some file systems cannot sync folders */
}

static ogv_status put_new(const char *home, const char *path, const void *bytes, size_t size, ogv_error *err) {
  const ogv_disk_calls *c = atomic_load(&current);
  char folder[4096], tmp[4096];
  snprintf(folder, sizeof folder, "%s", path);
  *strrchr(folder, '/') = 0;
  OGV_TRY(ogv_folder_make(folder, err));
  unsigned char r[12];
  ogv_random(r, sizeof r);
  int n = snprintf(tmp, sizeof tmp, "%s/objects/incoming/", home);
  if (n < 0 || (size_t)n + 2 * sizeof r >= sizeof tmp)
    return ogv_fail(err, OGV_E_INVALID, NULL, "folder name too long: %.200s", home);
  for (size_t i = 0; i < sizeof r; i++) n += snprintf(tmp + n, sizeof tmp - (size_t)n, "%02x", r[i]);
  int fd = c->open(tmp, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
  if (fd < 0) return disk_error(err, "write", tmp, errno);
  int e = write_all(c, fd, bytes, size);
  if (c->close(fd) && !e) e = errno;
  if (!e && c->rename(tmp, path)) e = errno;
  if (e) {
    unlink(tmp);
    return disk_error(err, "store", path, e);
  }
  e = sync_folder(c, path);           /* the new name */
  if (!e) e = sync_folder(c, folder); /* and its folder's name, which may be new too */
  return e ? disk_error(err, "sync the folder of", path, e) : OGV_OK;
}

/* Are the bytes there, and still the same? What lies on a disk for years may rot, and "present" must be true. */
static bool same_bytes(const char *path, const void *bytes, size_t size) {
  struct stat st;
  uint8_t *there;
  size_t n;
  if (stat(path, &st) || (uint64_t)st.st_size != size || ogv_file_read(path, size, &there, &n, NULL) != OGV_OK)
    return false;
  bool same = n == size && !memcmp(there, bytes, size);
  free(there);
  return same;
}

ogv_status ogv_disk_put(const char *home, const void *bytes, size_t size, char sha256[OGV_SHA256_TEXT],
                        ogv_error *err) {
  ogv_sha256(bytes, size, sha256);
  char path[4096];
  OGV_TRY(ogv_disk_path(home, sha256, path, sizeof path, err));
  if (!same_bytes(path, bytes, size)) return put_new(home, path, bytes, size, err);
  /* Somebody's earlier write may have been renamed but not yet synced when it stopped: sync again, it is cheap. */
  int e = sync_folder(atomic_load(&current), path);
  return e ? disk_error(err, "sync the folder of", path, e) : OGV_OK;
}

typedef struct tidy {
  bool (*known)(void *, const char *);
  void *user;
  time_t now;
  long age_s;
  int removed;
} tidy;

static ogv_status tidy_one(void *user, const char *path, ogv_error *err) {
  tidy *t = user;
  const char *name = strrchr(path, '/');
  struct stat st;
  if (!name || name - path < 3 || stat(path, &st)) return OGV_OK;
  const char *folder = name;
  while (folder > path && folder[-1] != '/') folder--;
  char sha[OGV_SHA256_TEXT] = "";
  bool temporary = !strncmp(folder, "incoming/", 9);
  if (!temporary) {
    if (name - folder != 2 || strlen(name + 1) != 62) return OGV_OK; /* not ours */
    snprintf(sha, sizeof sha, "%.2s%s", folder, name + 1);
  }
  long age = (long)(t->now - st.st_mtime);
  if (temporary ? age < 3600 : age < t->age_s || t->known(t->user, sha)) return OGV_OK;
  if (unlink(path)) return disk_error(err, "remove", path, errno);
  t->removed++;
  return OGV_OK;
}

ogv_status ogv_disk_tidy(const char *home, bool (*known)(void *user, const char *sha256), void *user, long age_s,
                         int *removed, ogv_error *err) {
  char path[4096];
  int n = snprintf(path, sizeof path, "%s/objects", home);
  if (n < 0 || (size_t)n >= sizeof path)
    return ogv_fail(err, OGV_E_INVALID, NULL, "folder name too long: %.200s", home);
  tidy t = {known, user, time(NULL), age_s, 0};
  ogv_status s = ogv_folder_walk(path, tidy_one, &t, err);
  *removed = t.removed;
  return s;
}
