/* What verification needs of the page drawing. */
#ifndef REPORT_PAGE_H
#define REPORT_PAGE_H

#include <jansson.h>

#include "core_file.h"
#include "core_status.h"

/* Hash of the words that the pages of these facts carry, figures, running heads and pictures apart. */
ogv_status page_text_hash(const json_t *facts, char out[OGV_SHA256_TEXT], ogv_error *err);

#endif
