#include "core_file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core_text.h"

static ogv_status io_error(ogv_error *err, const char *verb, const char *path, int e) {
  ogv_status code = e == ENOENT || e == ENOTDIR               ? OGV_E_NOT_FOUND
                    : e == EACCES || e == EPERM || e == EROFS ? OGV_E_DENIED
                    : e == ENOMEM                             ? OGV_E_MEMORY
                                                              : OGV_E_IO;
  const char *todo = e == ENOSPC || e == EDQUOT ? "Free some space on that disk, then run it again."
                     : code == OGV_E_DENIED     ? "Check who may read and write there, or choose another folder."
                     : code == OGV_E_NOT_FOUND  ? "Check the path."
                                                : "Check the disk.";
  return ogv_fail(err, code, todo, "cannot %s %s: %s", verb, path, strerror(e));
}

ogv_status ogv_file_read(const char *path, size_t maximum, uint8_t **data, size_t *size, ogv_error *err) {
  int fd = open(path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return io_error(err, "read", path, errno);
  struct stat st;
  if (fstat(fd, &st) || !S_ISREG(st.st_mode)) {
    close(fd);
    return ogv_fail(err, OGV_E_INVALID, "Name a file.", "%s is not a regular file", path);
  }
  if ((uint64_t)st.st_size > maximum) {
    close(fd);
    return ogv_fail(err, OGV_E_RANGE, NULL, "%s has %lld bytes, more than the %zu allowed here", path,
                    (long long)st.st_size, maximum);
  }
  size_t n = (size_t)st.st_size, got = 0;
  uint8_t *p = malloc(n + 1);
  if (!p) {
    close(fd);
    return io_error(err, "read", path, ENOMEM);
  }
  while (got < n) {
    ssize_t r = read(fd, p + got, n - got);
    if (r < 0 && errno == EINTR) continue;
    if (r < 0) {
      int e = errno;
      close(fd);
      free(p);
      return io_error(err, "read", path, e);
    }
    if (r == 0) break; /* it shrank while we read: hand out what is there */
    got += (size_t)r;
  }
  close(fd);
  p[got] = 0;
  *data = p;
  *size = got;
  return OGV_OK;
}

static int sync_folder_of(const char *path) {
  char dir[4096];
  snprintf(dir, sizeof dir, "%s", path);
  char *slash = strrchr(dir, '/');
  if (slash == dir) slash[1] = 0;
  else if (slash) *slash = 0;
  else memcpy(dir, ".", 2);
  int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (fd < 0) return errno;
  int e = fsync(fd) ? errno : 0;
  close(fd);
  return e == EINVAL ? 0 : e; /* some file systems cannot sync folders */
}

static int write_all(int fd, const uint8_t *p, size_t n) {
  while (n) {
    ssize_t w = write(fd, p, n);
    if (w < 0 && errno == EINTR) continue;
    if (w < 0) return errno;
    p += w;
    n -= (size_t)w;
  }
  return fsync(fd) ? errno : 0;
}

ogv_status ogv_file_write(const char *path, const void *data, size_t size, ogv_error *err) {
  char tmp[4096];
  int n = snprintf(tmp, sizeof tmp, "%s.XXXXXX", path);
  if (n < 0 || (size_t)n >= sizeof tmp) return ogv_fail(err, OGV_E_INVALID, NULL, "path too long: %.200s", path);
  int fd = mkostemp(tmp, O_CLOEXEC);
  if (fd < 0) return io_error(err, "write", path, errno);
  int e = write_all(fd, data, size);
  if (close(fd) && !e) e = errno;
  if (!e && rename(tmp, path)) e = errno;
  if (e) {
    unlink(tmp);
    return io_error(err, "write", path, e);
  }
  e = sync_folder_of(path);
  return e ? io_error(err, "sync the folder of", path, e) : OGV_OK;
}

ogv_status ogv_folder_make(const char *path, ogv_error *err) {
  char p[4096];
  int n = snprintf(p, sizeof p, "%s", path);
  if (n <= 0 || (size_t)n >= sizeof p) return ogv_fail(err, OGV_E_INVALID, NULL, "bad folder name %.200s", path);
  for (char *s = p + 1;; s++) {
    if (*s != '/' && *s) continue;
    char keep = *s;
    *s = 0;
    struct stat st;
    if (mkdir(p, 0700) && (errno != EEXIST || stat(p, &st) || !S_ISDIR(st.st_mode)))
      return io_error(err, "make the folder", p, errno);
    *s = keep;
    if (!keep) return OGV_OK;
  }
}

bool ogv_file_exists(const char *path) {
  struct stat st;
  return stat(path, &st) == 0;
}

static ogv_status walk(const char *dir, ogv_file_visit fn, void *user, int depth, ogv_error *err) {
  if (depth > 32)
    return ogv_fail(err, OGV_E_RANGE, "Import a folder further down.", "folders nested more than 32 deep at %.300s",
                    dir);
  struct dirent **names = NULL;
  int n = scandir(dir, &names, NULL, alphasort);
  if (n < 0) return io_error(err, "list", dir, errno);
  ogv_status s = OGV_OK;
  for (int i = 0; i < n; i++) {
    const char *name = names[i]->d_name;
    char path[4096];
    int len = snprintf(path, sizeof path, "%s/%s", dir, name);
    struct stat st;
    if (s == OGV_OK && strcmp(name, ".") && strcmp(name, "..") && len > 0 && (size_t)len < sizeof path &&
        lstat(path, &st) == 0) {
      if (S_ISLNK(st.st_mode) && (stat(path, &st) || S_ISDIR(st.st_mode))) st.st_mode = 0;
      if (S_ISDIR(st.st_mode)) s = walk(path, fn, user, depth + 1, err);
      else if (S_ISREG(st.st_mode)) s = fn(user, path, err);
    }
    free(names[i]);
  }
  free(names);
  return s;
}

ogv_status ogv_folder_walk(const char *root, ogv_file_visit fn, void *user, ogv_error *err) {
  struct stat st;
  if (stat(root, &st)) return io_error(err, "open", root, errno);
  if (S_ISREG(st.st_mode)) return fn(user, root, err);
  return walk(root, fn, user, 0, err);
}

void ogv_sha256(const void *data, size_t size, char out[OGV_SHA256_TEXT]) {
  unsigned char h[crypto_hash_sha256_BYTES];
  crypto_hash_sha256(h, data, size);
  sodium_bin2hex(out, OGV_SHA256_TEXT, h, sizeof h);
}

void ogv_random(void *buf, size_t size) {
  if (sodium_init() < 0) abort();
  randombytes_buf(buf, size);
}
