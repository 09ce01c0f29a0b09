/* Files shipped inside the program: charts, quantities, protocols, messages, weights, the browser front end.
 * A folder named by OGIVE_DATA overrides them file by file, so a department can edit its own copies. */
#ifndef CORE_RESOURCE_H
#define CORE_RESOURCE_H

#include <stddef.h>

#include "core_status.h"

typedef struct ogv_resource {
  const char *path; /* e.g. "charts/intergrowth-hc.json"; as in data/, or "web/...", "models/..." */
  const unsigned char *data;
  size_t size;
} ogv_resource;

/* The bytes live as long as the program (an override is read once and kept). OGV_E_NOT_FOUND when there is none. */
ogv_status ogv_resource_get(const char *path, ogv_resource *out, ogv_error *err);

/* The built-in file, whatever OGIVE_DATA holds: what a department's copy is checked against. */
ogv_status ogv_resource_built_in(const char *path, ogv_resource *out, ogv_error *err);

/* Calls fn for every path that starts with prefix, sorted; overrides and additions from OGIVE_DATA included. */
typedef ogv_status (*ogv_resource_visit)(void *user, const ogv_resource *r, ogv_error *err);
ogv_status ogv_resource_each(const char *prefix, ogv_resource_visit fn, void *user, ogv_error *err);

#endif
