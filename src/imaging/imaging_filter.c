#include "imaging_filter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "private/filter_internal.h"

/* Above this difference between channels a pixel is colour: flow, a mark, a caption. JPEG leaves grey within about 10.
 */
#define CHROMA 24

void ogv_filters_off(ogv_filters *f) { *f = (ogv_filters){.high = 255, .gamma = 1, .smooth_frames = 1}; }

static bool spatial(const ogv_filters *f) {
  for (size_t i = 0; i < f->n_depth_gain; i++)
    if (f->depth_gain[i] != 0) return true;
  return f->speckle > 0 || f->shading > 0 || f->local_contrast > 0 || f->low != 0 || f->high != 255 || f->gamma != 1;
}

bool ogv_filters_any(const ogv_filters *f) { return spatial(f) || f->smooth_frames > 1 || f->relief; }

bool ogv_filters_keep_edges(const ogv_filters *f) {
  for (size_t i = 0; i < f->n_depth_gain; i++)
    if (fabs(f->depth_gain[i]) > OGV_FILTER_EDGES_GAIN) return false;
  return f->speckle <= OGV_FILTER_EDGES_SPECKLE && f->local_contrast <= 0 && f->gamma == 1 && f->smooth_frames == 1 &&
         f->low <= OGV_FILTER_EDGES_LOW && f->high >= OGV_FILTER_EDGES_HIGH;
}

bool ogv_window_keeps_edges(double slope, double level) {
  if (!(slope >= OGV_WINDOW_SLOPE_MIN && slope <= OGV_WINDOW_SLOPE_MAX) || !(level >= 0 && level <= 255)) return false;
  double black = level - level / slope, white = level + (255 - level) / slope;
  return black <= OGV_FILTER_EDGES_LOW && white >= OGV_FILTER_EDGES_HIGH;
}

/* --- JSON ----------------------------------------------------------------------------------------------------- */

static ogv_status out_of(ogv_error *err, const char *key, const char *range) {
  return ogv_fail(err, OGV_E_RANGE, "Change the value, or leave the member out: then that filter is off.",
                  "filter \"%s\" must be %s", key, range);
}

static bool number_in(const json_t *v, double low, double high, double *out) {
  if (!v) return true; /* left out: stays as it is */
  double d = json_number_value(v);
  if (!json_is_number(v) || !(d >= low && d <= high)) return false;
  *out = d;
  return true;
}

static ogv_status read_gains(const json_t *v, ogv_filters *f, ogv_error *err) {
  if (!v) return OGV_OK;
  size_t n = json_array_size(v);
  if (!json_is_array(v) || n > OGV_FILTER_GAINS) return out_of(err, "depth_gain", "a list of at most 8 numbers");
  for (size_t i = 0; i < n; i++)
    if (!number_in(json_array_get(v, i), -128, 128, &f->depth_gain[i]))
      return out_of(err, "depth_gain", "-128 to 128 grey levels");
  f->n_depth_gain = n;
  return OGV_OK;
}

ogv_status ogv_filters_from_json(const json_t *v, ogv_filters *out, ogv_error *err) {
  static const char *const known[] = {"depth_gain", "speckle", "shading",       "local_contrast",
                                      "range",      "gamma",   "smooth_frames", "relief"};
  ogv_filters f;
  ogv_filters_off(&f);
  if (!json_is_object(v))
    return ogv_fail(err, OGV_E_INVALID, "Send for example {\"speckle\":0.5}.", "filters are a JSON object");
  const char *key;
  json_t *member;
  json_object_foreach((json_t *)v, key, member) {
    bool ok = false;
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) ok |= !strcmp(key, known[i]);
    if (!ok)
      return ogv_fail(
          err, OGV_E_INVALID,
          "Filters are depth_gain, speckle, shading, local_contrast, range, gamma, smooth_frames and relief.",
          "there is no filter \"%.40s\"", key);
  }
  OGV_TRY(read_gains(json_object_get(v, "depth_gain"), &f, err));
  if (!number_in(json_object_get(v, "speckle"), 0, 1, &f.speckle)) return out_of(err, "speckle", "0 to 1");
  if (!number_in(json_object_get(v, "shading"), 0, 1, &f.shading)) return out_of(err, "shading", "0 to 1");
  if (!number_in(json_object_get(v, "local_contrast"), 0, 1, &f.local_contrast))
    return out_of(err, "local_contrast", "0 to 1");
  if (!number_in(json_object_get(v, "gamma"), 0.2, 5, &f.gamma)) return out_of(err, "gamma", "0.2 to 5");
  const json_t *range = json_object_get(v, "range");
  if (range && (json_array_size(range) != 2 || !number_in(json_array_get(range, 0), 0, 254, &f.low) ||
                !number_in(json_array_get(range, 1), 1, 255, &f.high) || !(f.low < f.high)))
    return out_of(err, "range", "two grey levels, the lower one first");
  double n = 1;
  if (!number_in(json_object_get(v, "smooth_frames"), 1, 5, &n) || (n != 1 && n != 3 && n != 5))
    return out_of(err, "smooth_frames", "1, 3 or 5");
  f.smooth_frames = (int)n;
  const json_t *relief = json_object_get(v, "relief");
  if (relief && !json_is_boolean(relief)) return out_of(err, "relief", "true or false");
  f.relief = json_is_true(relief);
  *out = f;
  return OGV_OK;
}

json_t *ogv_filters_to_json(const ogv_filters *f) {
  json_t *gains = json_array();
  for (size_t i = 0; i < f->n_depth_gain; i++) json_array_append_new(gains, json_real(f->depth_gain[i]));
  return json_pack("{s:o,s:f,s:f,s:f,s:[f,f],s:f,s:i,s:b}", "depth_gain", gains, "speckle", f->speckle, "shading",
                   f->shading, "local_contrast", f->local_contrast, "range", f->low, f->high, "gamma", f->gamma,
                   "smooth_frames", f->smooth_frames, "relief", f->relief);
}

/* --- one box -------------------------------------------------------------------------------------------------- */

static int luminance(const ogv_image *im, int x, int y, bool *colour) {
  const uint8_t *p = im->pixels + (size_t)y * im->stride + (size_t)(x * im->channels);
  *colour = false;
  if (im->channels == 1) return p[0];
  int hi = p[0] > p[1] ? p[0] : p[1], lo = p[0] < p[1] ? p[0] : p[1];
  hi = p[2] > hi ? p[2] : hi;
  lo = p[2] < lo ? p[2] : lo;
  *colour = hi - lo > CHROMA;
  return (int)((19595u * p[0] + 38470u * p[1] + 7471u * p[2] + 32768u) >> 16);
}

static float clamp255(float v) { return v < 0 ? 0 : v > 255 ? 255 : v; }

/* Gains are the sliders' values at even depths, straight lines between them. Black is no echo: nothing to amplify, and
 * the faint blocks that JPEG leaves in black are spared as well. */
static void depth_gain(const ogv_filters *f, ogv_plane *p) {
  for (int y = 0; y < p->height; y++) {
    double at =
        f->n_depth_gain > 1 ? (double)y / (p->height > 1 ? p->height - 1 : 1) * (double)(f->n_depth_gain - 1) : 0;
    size_t i = (size_t)at, k = i + 1 < f->n_depth_gain ? i + 1 : i;
    float gain = (float)(f->depth_gain[i] + (at - (double)i) * (f->depth_gain[k] - f->depth_gain[i]));
    float *row = p->v + (size_t)y * (size_t)p->width;
    for (int x = 0; x < p->width; x++) row[x] = clamp255(row[x] + gain * (row[x] < 16 ? row[x] / 16 : 1));
  }
}

static void range(const ogv_filters *f, ogv_plane *p) {
  size_t n = (size_t)p->width * (size_t)p->height;
  float low = (float)f->low, scale = 1 / (float)(f->high - f->low), gamma = (float)(1 / f->gamma);
  for (size_t i = 0; i < n; i++) {
    float t = clamp255((p->v[i] - low) * scale * 255) / 255;
    p->v[i] = 255 * (f->gamma == 1 ? t : powf(t, gamma));
  }
}

static ogv_status filter_plane(const ogv_filters *f, ogv_plane *p, ogv_error *err) {
  if (f->shading > 0) OGV_TRY(ogv_filter_shading(p, f->shading, err));
  if (f->n_depth_gain) depth_gain(f, p);
  if (f->speckle > 0) OGV_TRY(ogv_filter_speckle(p, f->speckle, err));
  if (f->local_contrast > 0) OGV_TRY(ogv_filter_contrast(p, f->local_contrast, err));
  if (f->low != 0 || f->high != 255 || f->gamma != 1) range(f, p);
  return OGV_OK;
}

/* Colour pixels take the grey of their left neighbour while filters run, so that their brightness does not leak into
 * the echoes beside them, and are not written back. */
static void take(const ogv_image *src, int x0, int y0, ogv_plane *p) {
  for (int y = 0; y < p->height; y++) {
    float last = 0, *row = p->v + (size_t)y * (size_t)p->width;
    for (int x = 0; x < p->width; x++) {
      bool colour;
      float v = (float)luminance(src, x0 + x, y0 + y, &colour);
      if (!colour) last = v;
      row[x] = last;
    }
  }
}

static ogv_status filter_box(const ogv_filters *f, const ogv_image *src, int x0, int y0, int x1, int y1, ogv_image *out,
                             ogv_error *err) {
  ogv_plane p = {.width = x1 - x0 + 1, .height = y1 - y0 + 1};
  size_t n = (size_t)p.width * (size_t)p.height;
  p.v = malloc(n * sizeof *p.v);
  if (!p.v) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to filter the picture");
  take(src, x0, y0, &p);
  ogv_status s = filter_plane(f, &p, err);
  for (int y = 0; s == OGV_OK && y < p.height; y++)
    for (int x = 0; x < p.width; x++) {
      bool colour;
      int was = luminance(src, x0 + x, y0 + y, &colour),
          now = (int)lroundf(clamp255(p.v[(size_t)y * (size_t)p.width + (size_t)x]));
      uint8_t *d = out->pixels + (size_t)(y0 + y) * out->stride + (size_t)((x0 + x) * out->channels);
      for (int c = 0; !colour && c < out->channels; c++) {
        int v = d[c] + now - was;
        d[c] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
      }
    }
  free(p.v);
  return s;
}

/* Box x0, y0, x1, y1 (inclusive) of a two-dimensional region, cut at the picture's border; false for other regions. */
static bool tissue_box(const ogv_region *r, const ogv_image *src, int b[4]) {
  if (r->format != OGV_FORMAT_2D || r->data_type != OGV_DATA_TISSUE) return false;
  b[0] = r->x0 > 0 ? r->x0 : 0;
  b[1] = r->y0 > 0 ? r->y0 : 0;
  b[2] = r->x1 < src->width ? r->x1 : src->width - 1;
  b[3] = r->y1 < src->height ? r->y1 : src->height - 1;
  return b[2] > b[0] && b[3] > b[1];
}

ogv_status ogv_filters_apply(const ogv_filters *f, const ogv_image *src, const ogv_region *regions, size_t n_regions,
                             ogv_image *out, ogv_error *err) {
  OGV_TRY(ogv_image_new(src->width, src->height, src->channels, out, err));
  for (int y = 0; y < src->height; y++)
    memcpy(out->pixels + (size_t)y * out->stride, src->pixels + (size_t)y * src->stride,
           (size_t)(src->width * src->channels));
  if (!spatial(f)) return OGV_OK;
  bool any = false;
  ogv_status s = OGV_OK;
  for (size_t i = 0; i < n_regions && s == OGV_OK; i++) {
    int b[4];
    if (!tissue_box(&regions[i], src, b)) continue;
    any = true;
    s = filter_box(f, src, b[0], b[1], b[2], b[3], out, err);
  }
  if (!any && s == OGV_OK) s = filter_box(f, src, 0, 0, src->width - 1, src->height - 1, out, err);
  if (s != OGV_OK) ogv_image_free(out);
  return s;
}

ogv_status ogv_filter_frames(const ogv_image *const *frames, size_t n, ogv_image *out, ogv_error *err) {
  static const unsigned weights[3][5] = {{1}, {1, 2, 1}, {1, 4, 6, 4, 1}};
  *out = (ogv_image){0};
  if (n != 1 && n != 3 && n != 5)
    return ogv_fail(err, OGV_E_RANGE, NULL, "frames are smoothed over 1, 3 or 5, not %zu", n);
  const unsigned *w = weights[n / 2];
  unsigned total = n == 1 ? 1 : n == 3 ? 4 : 16;
  const ogv_image *a = frames[0];
  for (size_t k = 1; k < n; k++)
    if (frames[k]->width != a->width || frames[k]->height != a->height || frames[k]->channels != a->channels)
      return ogv_fail(err, OGV_E_INVALID, NULL, "the frames differ in size");
  OGV_TRY(ogv_image_new(a->width, a->height, a->channels, out, err));
  const ogv_image *middle = frames[n / 2];
  for (int y = 0; y < a->height; y++)
    for (int x = 0; x < a->width; x++) {
      size_t px = (size_t)(x * a->channels);
      uint8_t *d = out->pixels + (size_t)y * out->stride + px;
      bool any = false, colour; /* flow and moving marks would be smeared */
      for (size_t k = 0; k < n && a->channels == 3; k++) luminance(frames[k], x, y, &colour), any |= colour;
      for (int c = 0; c < a->channels; c++) {
        unsigned sum = total / 2;
        for (size_t k = 0; k < n; k++) sum += w[k] * frames[k]->pixels[(size_t)y * frames[k]->stride + px + (size_t)c];
        d[c] = any ? middle->pixels[(size_t)y * middle->stride + px + (size_t)c] : (uint8_t)(sum / total);
      }
    }
  return OGV_OK;
}

ogv_status ogv_filter_frames_within(const ogv_image *const *frames, size_t n, const ogv_region *regions,
                                    size_t n_regions, ogv_image *out, ogv_error *err) {
  ogv_image mean;
  OGV_TRY(ogv_filter_frames(frames, n, &mean, err));
  const ogv_image *middle = frames[n / 2];
  bool any = false;
  int b[4];
  for (size_t i = 0; i < n_regions; i++) any |= tissue_box(&regions[i], middle, b);
  if (!any) {
    *out = mean;
    return OGV_OK;
  }
  ogv_status s = ogv_image_new(middle->width, middle->height, middle->channels, out, err);
  size_t c = (size_t)middle->channels;
  for (int y = 0; s == OGV_OK && y < middle->height; y++) {
    uint8_t *row = out->pixels + (size_t)y * out->stride;
    memcpy(row, middle->pixels + (size_t)y * middle->stride, (size_t)middle->width * c);
    for (size_t i = 0; i < n_regions; i++)
      if (tissue_box(&regions[i], middle, b) && y >= b[1] && y <= b[3])
        memcpy(row + (size_t)b[0] * c, mean.pixels + (size_t)y * mean.stride + (size_t)b[0] * c,
               (size_t)(b[2] - b[0] + 1) * c);
  }
  ogv_image_free(&mean);
  return s;
}
