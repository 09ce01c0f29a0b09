/* Files: whole reads with a limit, durable writes, folders. */
#ifndef CORE_FILE_H
#define CORE_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"

/* Reads a whole file of at most `maximum` bytes. *data is malloc'ed with one extra NUL; free with free(). */
ogv_status ogv_file_read(const char *path, size_t maximum, uint8_t **data, size_t *size, ogv_error *err);

/* Writes atomically and durably: temporary file beside it, write, fsync, rename, fsync of the folder. */
ogv_status ogv_file_write(const char *path, const void *data, size_t size, ogv_error *err);

/* Makes a folder and its parents (mode 0700 for new ones: patient data). */
ogv_status ogv_folder_make(const char *path, ogv_error *err);
bool ogv_file_exists(const char *path);

/* Calls fn for each regular file below root, sorted by path so the order is the same everywhere. Links to folders are
 * not followed. fn returning anything but OGV_OK stops the walk with that status. */
typedef ogv_status (*ogv_file_visit)(void *user, const char *path, ogv_error *err);
ogv_status ogv_folder_walk(const char *root, ogv_file_visit fn, void *user, ogv_error *err);

/* Lower-case hex SHA-256 (FIPS 180-4, through libsodium). */
#define OGV_SHA256_TEXT 65
void ogv_sha256(const void *data, size_t size, char out[OGV_SHA256_TEXT]);

/* Fills buf with random bytes from the system (libsodium). */
void ogv_random(void *buf, size_t size);

#endif
