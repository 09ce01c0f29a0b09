/* The content-addressed object store: objects/ab/cdef... named by the SHA-256 of the bytes.
 *
 * Order of a write: temporary file in objects/incoming, write, fsync, rename to its name, fsync of the folder; only
 * then is the object recorded. So a crash leaves either a temporary file (removed by ogv_disk_tidy) or a whole object
 * that no row names (reused when the same bytes come again, else removed by ogv_disk_tidy), never a row without its
 * bytes.
 *
 * All system calls go through one table, so that a test can make the n-th of them fail. */
#ifndef RECORD_DISK_H
#define RECORD_DISK_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

#include "core_file.h"
#include "core_status.h"

typedef struct ogv_disk_calls {
  int (*open)(const char *path, int flags, mode_t mode);
  ssize_t (*write)(int fd, const void *p, size_t n);
  int (*fsync)(int fd);
  int (*close)(int fd);
  int (*rename)(const char *from, const char *to);
} ogv_disk_calls;

/* Replaces the table (NULL: the system's own again). For tests; not while another thread writes. */
void ogv_disk_use(const ogv_disk_calls *calls);

/* Makes the folders below home. */
ogv_status ogv_disk_make(const char *home, ogv_error *err);
/* Path of the object with this hash; buf is filled, whether or not it exists. */
ogv_status ogv_disk_path(const char *home, const char *sha256, char *buf, size_t size, ogv_error *err);
/* Stores bytes; sha256 is filled. Bytes that are already there are not written again. */
ogv_status ogv_disk_put(const char *home, const void *bytes, size_t size, char sha256[OGV_SHA256_TEXT], ogv_error *err);
/* Removes temporary files older than an hour, and objects for which known(user, sha256) is false and that are older
 * than `age_s`. Counts what was removed. */
ogv_status ogv_disk_tidy(const char *home, bool (*known)(void *user, const char *sha256), void *user, long age_s,
                         int *removed, ogv_error *err);

#endif
