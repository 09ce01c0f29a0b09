/* The report as PDF, and its verification. */
#ifndef REPORT_PDF_H
#define REPORT_PDF_H

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"
#include "imaging_image.h"

/* Supplies pictures while the report is drawn: fills *out (freed by the caller with ogv_image_free). */
typedef ogv_status (*ogv_picture_source)(void *user, const char *object_id, int frame, ogv_image *out, ogv_error *err);

/* Such a source over a record: user is the ogv_store. */
ogv_status ogv_report_store_picture(void *store, const char *object_id, int frame, ogv_image *out, ogv_error *err);

/* Draws the report from its facts. The facts travel inside as an attached file (facts.json). Same facts and pictures,
 * same bytes. *pdf is malloc'ed. */
ogv_status ogv_report_pdf(const json_t *facts, ogv_picture_source pictures, void *user, uint8_t **pdf, size_t *size,
                          ogv_error *err);

/* One growth chart as SVG for the browser: quantity and fetus from the facts. *svg is malloc'ed text. */
ogv_status ogv_report_chart_svg(const json_t *facts, const char *quantity, const char *fetus, const char *chart_id,
                                int width, int height, char **svg, ogv_error *err);

/* Recomputes every number of the attached facts. *result:
 * {"holds":bool,"checks":[{"what","stored","recomputed","holds","why"}], "objects_checked":n}. With a store (may be
 * NULL) the pixels behind each evidence are checked by their hash too. */
struct ogv_store;
ogv_status ogv_report_verify(const void *pdf, size_t size, struct ogv_store *store, json_t **result, ogv_error *err);

#endif
