#include "measure_spectrum.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_sort.h"
#include "private/spectrum_int.h"

#define SOUND_CM_S 154000.0 /* 1540 m/s, the soft-tissue value assumed by equipment (Evans & McDicken 2000) */
#define RADIANS (M_PI / 180)
#define BLUR_ROWS 1.2 /* a sharp edge that is blurred has its half-power point so many SD of the blur further in */
#define GRAIN_S 0.004 /* columns this far apart share the signal of one spectrum (windows of 10 to 20 ms): no blur */
/* With fewer columns a beat, or rows to the peak, independent drawings gave PI wrong by 10 % and more
 * (docs/doppler.md). */
#define LEAST_COLUMNS 16
#define FEW_COLUMNS 24
#define LEAST_ROWS 24
#define BEYOND_ROWS 6 /* full rows that are more than speckle of the noise: our own choice */

/* --- scale ----------------------------------------------------------------------------------------------------- */

static void apply_angle_rules(ogv_spectrum_scale *s) {
  if (isnan(s->angle_deg)) return;
  double a = fabs(s->angle_deg);
  if (a > 70) {
    s->absolute = false;
    snprintf(s->note, sizeof s->note, "Angle %.0f degrees is over 70: no velocities are given, ratios stay.", a);
  } else if (a > 60) {
    snprintf(s->note, sizeof s->note, "Angle %.0f degrees is over 60: one degree of error moves velocities by %.0f %%.",
             a, 100 * tan(a * RADIANS) * RADIANS);
  }
}

ogv_status ogv_spectrum_scale_from_region(const ogv_region *r, ogv_spectrum_scale *out, ogv_error *err) {
  static const char hand[] = "Calibrate by hand on the velocity and time scales.";
  if (r->format != OGV_FORMAT_SPECTRAL)
    return ogv_fail(err, OGV_E_CALIBRATION, hand, "the region is not a spectrum (format %d)", r->format);
  if (r->unit_x != OGV_UNIT_S || !(r->delta_x > 0))
    return ogv_fail(err, OGV_E_CALIBRATION, hand, "the time axis of the spectrum has unit code %d and step %g",
                    r->unit_x, r->delta_x);
  if ((r->unit_y != OGV_UNIT_CM_S && r->unit_y != OGV_UNIT_HZ) || !(fabs(r->delta_y) > 0) || !isfinite(r->delta_y))
    return ogv_fail(err, OGV_E_CALIBRATION, hand, "the velocity axis of the spectrum has unit code %d and step %g",
                    r->unit_y, r->delta_y);
  if (!r->has_ref_y)
    return ogv_fail(err, OGV_E_CALIBRATION, "Mark the baseline by hand.",
                    "the spectrum's region does not say where its baseline is");
  *out = (ogv_spectrum_scale){.x0 = r->x0,
                              .y0 = r->y0,
                              .x1 = r->x1,
                              .y1 = r->y1,
                              .s_per_pixel = r->delta_x,
                              .cm_s_per_pixel = r->delta_y,
                              .absolute = true,
                              .calibration_sd = r->calibration_sd,
                              .angle_deg = r->correction_angle_deg,
                              .wall_filter_cm_s = NAN,
                              .hundred_hz_cm_s = NAN,
                              .by_hand = r->by_hand};
  out->baseline_row = r->y0 + r->ref_y - r->ref_value_y / r->delta_y;
  if (!(out->baseline_row >= r->y0 && out->baseline_row <= r->y1))
    return ogv_fail(err, OGV_E_CALIBRATION, "Mark the baseline by hand.",
                    "the baseline of the spectrum (row %.0f) lies outside its box (rows %d to %d)", out->baseline_row,
                    r->y0, r->y1);
  bool angle_known = !isnan(r->correction_angle_deg), frequency_known = r->transducer_khz > 0;
  double c = angle_known ? cos(r->correction_angle_deg * RADIANS) : 1;
  double cm_s_per_hz = frequency_known ? SOUND_CM_S / (2 * r->transducer_khz * 1000 * c) : NAN;
  if (frequency_known) out->hundred_hz_cm_s = 100 * cm_s_per_hz;
  if (r->unit_y == OGV_UNIT_HZ) {
    if (!frequency_known || !angle_known) {
      out->absolute = false;
      snprintf(out->note, sizeof out->note,
               "The scale is in Hz and %s is unknown: no velocities are given, ratios stay.",
               frequency_known ? "the angle" : "the transducer frequency");
    } else {
      out->cm_s_per_pixel = r->delta_y * cm_s_per_hz;
    }
  } else if (!angle_known) {
    snprintf(out->note, sizeof out->note, "The correction angle is not stated: velocities are as displayed.");
  }
  apply_angle_rules(out);
  return OGV_OK;
}

ogv_status ogv_spectrum_set_angle(ogv_spectrum_scale *s, double angle_deg, ogv_error *err) {
  if (isnan(s->angle_deg))
    return ogv_fail(err, OGV_E_INVALID, "Ratios do not depend on the angle.",
                    "the angle in force is unknown, so it cannot be changed");
  if (!(fabs(angle_deg) < 90) || !(fabs(s->angle_deg) < 90))
    return ogv_fail(err, OGV_E_INVALID, "Give an angle between 0 and 90 degrees.", "%.0f degrees is not a usable angle",
                    angle_deg);
  double old = s->angle_deg, k = cos(old * RADIANS) / cos(angle_deg * RADIANS);
  s->cm_s_per_pixel *= k;
  s->wall_filter_cm_s *= k;
  s->hundred_hz_cm_s *= k;
  s->angle_deg = angle_deg;
  s->absolute = true;
  snprintf(s->note, sizeof s->note, "Angle changed by hand from %.0f to %.0f degrees.", old, angle_deg);
  apply_angle_rules(s);
  return OGV_OK;
}

/* --- composing the two sides ------------------------------------------------------------------------------------ */

typedef struct {
  double *main, *main_sure, *other, *other_sure; /* distances in pixels, one per column */
  int gap;                                       /* rows of the main side hidden by the wall filter */
} edges;

static double quantile(const double *v, int n, double q, double *work) {
  memcpy(work, v, sizeof *v * (size_t)n);
  qsort(work, (size_t)n, sizeof *work, ogv_ascending);
  return work[(int)(q * (n - 1))];
}

static const char mirror_too_bright[] =
    "The other side is hardly dimmer than the flow (mirror image, or aliased far): lower the gain, change the angle or "
    "take a larger velocity scale and record again.";

/* How much a side looks like the flow asked for: high and, for an artery, pulsing. */
static double side_score(const double *edge, int n, ogv_flow_kind kind) {
  double sum = 0, sq = 0;
  for (int c = 0; c < n; c++) {
    sum += edge[c];
    sq += edge[c] * edge[c];
  }
  double mean = sum / n, sd = sqrt(fmax(0, sq / n - mean * mean));
  return kind == OGV_FLOW_DUCTUS_VENOSUS ? mean : mean + 2 * sd;
}

/* Rows next to the baseline that are dark even in systole: the wall filter's mark. Up to two bright rows before dark
 * ones are the soft side of the burned-in baseline. */
static int wall_gap(const spectrum_box *box, const spectrum_side *side, const double *edge, double high) {
  enum { LOOK = 64 };
  double sum[LOOK] = {0}, plateau = 0, rows = 0;
  int used = 0;
  for (int c = 0; c < box->columns; c++) {
    if (edge[c] < 0.7 * high || edge[c] < 8) continue;
    const uint8_t *p = side->raw + (size_t)c * (size_t)side->rows;
    for (int k = 0; k < LOOK && k < side->rows; k++) sum[k] += p[k];
    for (int k = (int)(0.4 * edge[c]); k < (int)(0.8 * edge[c]) && k < side->rows; k++, rows++) plateau += p[k];
    used++;
  }
  if (used < 3 || rows < 1) return 0;
  double half = 0.5 * (plateau / rows + box->noise_mean);
  int limit = (int)(0.3 * high);
  if (limit > LOOK) limit = LOOK;
  if (limit > side->rows) limit = side->rows;
  int first = 0;
  while (first < limit && first < 3 && sum[first] / used >= half) first++;
  if (first == 3 || first == limit) return 0; /* bright all the way: nothing is hidden */
  for (int k = first; k < limit; k++)
    if (sum[k] / used >= half) return k;
  return limit;
}

static double correlate(const double *a, const double *b, int n, double from) {
  double x = 0, y = 0, xx = 0, yy = 0, xy = 0, m = 0;
  for (int c = 0; c < n; c++) {
    if (a[c] < from) continue;
    x += a[c];
    y += b[c];
    xx += a[c] * a[c];
    yy += b[c] * b[c];
    xy += a[c] * b[c];
    m++;
  }
  if (m < 8) return 0;
  double vx = xx / m - x / m * x / m, vy = yy / m - y / m * y / m;
  return vx > 1e-9 && vy > 1e-9 ? (xy / m - x / m * y / m) / sqrt(vx * vy) : 0;
}

/* Decides, column by column, between forward flow, reverse flow and none. What stands on the other side all the time
 * (the vein of the cord) or mirrors the main flow (gain too high, angle near 90 degrees) is not reverse flow. */
static void compose(ogv_spectrum *out, const spectrum_box *box, const spectrum_side *main_side,
                    const spectrum_side *other_side, const edges *e, double scale, double *work) {
  int n = box->columns;
  double high = quantile(e->main, n, 0.95, work), least = e->gap + 3;
  int systole = 0, both = 0, other_any = 0;
  for (int c = 0; c < n; c++) {
    other_any += e->other[c] > least;
    if (e->main[c] < 0.5 * high) continue;
    systole++;
    double copy = fmin(0.5 * e->main[c], other_side->rows - 5); /* what merely stands at the baseline is none */
    both += e->other[c] > fmax(least, copy);
  }
  double together = systole ? (double)both / systole : 0;
  double likeness = correlate(e->main, e->other, n, least);
  bool alike = !out->unwrapped && together > 0.5 && likeness > 0.6;
  out->mirror |= alike;
  bool vein = !alike && other_any > 0.7 * n;
  double vein_level = 0;
  if (vein) {
    int m = 0;
    for (int c = 0; c < n; c++)
      if (e->main[c] >= 0.5 * high) work[m++] = e->other[c];
    qsort(work, (size_t)m, sizeof *work, ogv_ascending);
    vein_level = m ? work[m / 2] : 0;
    spectrum_note(out, "Steady flow on the other side of the baseline (cord vein) was left out.");
  }
  if (out->mirror)
    spectrum_note(out, "Mirror image on the other side of the baseline: lower the gain or change the angle.");
  for (int c = 0; c < n; c++) {
    bool forward = e->main[c] > least;
    /* A mirror of no flow is no flow, so what stands alone on the other side is real. */
    bool reverse = !forward && e->other[c] > fmax(least, vein ? 1.4 * vein_level + 4 : 0);
    double v = forward ? e->main[c] : reverse ? -e->other[c] : 0;
    double m = forward   ? spectrum_side_mean(box, main_side, c, e->main[c])
               : reverse ? -spectrum_side_mean(box, other_side, c, e->other[c])
                         : 0;
    out->vmax[c] = v * scale;
    out->vmean[c] = m * scale;
    out->confidence[c] = forward ? e->main_sure[c] : reverse ? e->other_sure[c] : 0.5;
  }
}

/* --- aliasing --------------------------------------------------------------------------------------------------- */

/* Whether the outermost rows of a side show signal in column c. */
static bool signal_at_end(const spectrum_side *s, int c, double threshold) {
  int far = s->rows / 12 + 3;
  if (s->rows <= far) return false;
  int sum = 0;
  for (int k = s->rows - far; k < s->rows; k++) sum += s->smooth[(size_t)c * (size_t)s->rows + (size_t)k];
  return (double)sum / far > threshold * SMOOTH_UNIT;
}

/* touch: columns whose edge lies at the end of the box; wrapped: those of them that go on at the other end; missed:
 * columns with signal at both ends of the box whose edge does not lie there. */
static void touching(const spectrum_box *box, const spectrum_side *a, const spectrum_side *b, const double *edge,
                     int *touch, int *wrapped, int *missed) {
  double t = fmax(box->noise_mean + fmax(4 * box->noise_sd, 0.3 * (box->signal - box->noise_mean)), box->edge_level);
  *touch = *wrapped = *missed = 0;
  for (int c = 0; c < box->columns; c++) {
    bool at_end = edge[c] >= a->first + a->rows - 5, other = signal_at_end(b, c, t);
    *touch += at_end;
    *wrapped += at_end && other;
    *missed += edge[c] < 0.8 * a->rows && other && signal_at_end(a, c, t);
  }
}

static const char wrapped_too_far[] =
    "Aliased so far that flow and its wrapped part meet: record again with a larger velocity scale.";

static ogv_status unwrap(ogv_spectrum *out, spectrum_box *box, const spectrum_side *a, const spectrum_side *b, edges *e,
                         ogv_error *err) {
  int touch, wrapped, missed;
  touching(box, a, b, e->main, &touch, &wrapped, &missed);
  if (missed >= 4 && missed * 3 > touch) {
    out->aliased = !out->mirror;
    spectrum_refuse(out, "%s", out->mirror ? mirror_too_bright : wrapped_too_far);
    return OGV_OK;
  }
  if (touch < 3) return OGV_OK;
  out->aliased = wrapped * 2 >= touch;
  if (!out->aliased) {
    spectrum_refuse(out,
                    "The flow reaches the edge of the velocity scale: record again with a larger scale or another "
                    "baseline.");
    return OGV_OK;
  }
  spectrum_box_extend(box, a, b);
  OGV_TRY(spectrum_side_envelope(box, &box->whole, e->gap, e->main, e->main_sure, &out->sharpness.edge_rows, err));
  double top = 0;
  for (int c = 0; c < box->columns; c++) top = fmax(top, e->main[c]);
  if (top > a->rows + 0.8 * b->rows) spectrum_refuse(out, "%s", wrapped_too_far);
  out->unwrapped = true;
  spectrum_note(out, "Aliasing was unwrapped across the baseline.");
  return OGV_OK;
}

/* --- the whole -------------------------------------------------------------------------------------------------- */

ogv_status spectrum_check(const ogv_image *p, const ogv_spectrum_scale *s, ogv_error *err) {
  if (!p || !p->pixels || p->width < 1) return ogv_fail(err, OGV_E_INVALID, NULL, "there is no picture to trace");
  if (s->x0 < 0 || s->y0 < 0 || s->x1 >= p->width || s->y1 >= p->height || s->x1 - s->x0 < 31 || s->y1 - s->y0 < 31)
    return ogv_fail(err, OGV_E_INVALID, "Mark the box of the spectrum; it needs 32 by 32 pixels at least.",
                    "the box %d,%d to %d,%d does not lie in the picture of %d by %d", s->x0, s->y0, s->x1, s->y1,
                    p->width, p->height);
  if (!(s->s_per_pixel > 0) || !(fabs(s->cm_s_per_pixel) > 0) || !isfinite(s->cm_s_per_pixel))
    return ogv_fail(err, OGV_E_CALIBRATION, "Calibrate by hand on the velocity and time scales.",
                    "the spectrum's scale is not usable (%g s and %g cm/s a pixel)", s->s_per_pixel, s->cm_s_per_pixel);
  if (!(s->baseline_row >= s->y0 && s->baseline_row <= s->y1))
    return ogv_fail(err, OGV_E_CALIBRATION, "Mark the baseline by hand.", "the baseline (row %.1f) is not in the box",
                    s->baseline_row);
  return OGV_OK;
}

/* Rough edges of both sides; the side that looks like the flow asked for becomes the main one. */
static ogv_status choose_side(const spectrum_box *box, ogv_flow_kind kind, double **main_edge, double **other_edge,
                              bool *down, ogv_error *err) {
  OGV_TRY(spectrum_side_rough(box, &box->up, *main_edge, err));
  OGV_TRY(spectrum_side_rough(box, &box->down, *other_edge, err));
  *down = side_score(*other_edge, box->columns, kind) > side_score(*main_edge, box->columns, kind);
  if (*down) {
    double *t = *main_edge;
    *main_edge = *other_edge;
    *other_edge = t;
  }
  return OGV_OK;
}

/* A mirror image is looked for with the edge sought halfway between the brighter and the dimmer of the two sides. Where
 * there is one, flow is what is brighter than its copy, and the side found that way is the main side. */
static ogv_status look_for_mirror(ogv_spectrum *out, spectrum_box *box, ogv_flow_kind kind, edges *e, bool *down,
                                  double *work, ogv_error *err) {
  double flow, copy;
  if (!spectrum_mirror_suspected(box, &flow, &copy)) return OGV_OK;
  double level = box->edge_level, scale = box->edge_scale;
  double *main_edge = e->main_sure, *other_edge = e->other_sure; /* not yet in use */
  bool below;
  spectrum_mirror m;
  spectrum_box_part(box, copy, flow);
  OGV_TRY(choose_side(box, kind, &main_edge, &other_edge, &below, err));
  const spectrum_side *a = below ? &box->down : &box->up, *b = below ? &box->up : &box->down;
  int gap = wall_gap(box, a, main_edge, quantile(main_edge, box->columns, 0.95, work));
  OGV_TRY(spectrum_mirror_look(box, a, b, main_edge, other_edge, gap, &m, err));
  box->edge_level = level;
  box->edge_scale = scale;
  if (!m.found) return OGV_OK;
  out->mirror = true;
  if (m.too_bright) spectrum_refuse(out, "%s", mirror_too_bright);
  spectrum_box_part(box, m.copy, m.flow);
  memcpy(e->main, main_edge, sizeof(double) * (size_t)box->columns);
  memcpy(e->other, other_edge, sizeof(double) * (size_t)box->columns);
  *down = below;
  return OGV_OK;
}

/* Bright rows of column c in one stretch clear of the baseline, out to row `limit`: each counts as it does when the
 * path is sought. */
static double stretch_beyond(const spectrum_box *box, const spectrum_side *s, int c, int from, int limit) {
  const uint16_t *p = s->smooth + (size_t)c * (size_t)s->rows;
  const spectrum_weighing w = spectrum_weighing_of(box);
  double sum = 0, most = 0;
  for (int k = from; k < limit && k < s->rows; k++) {
    sum = fmax(0, sum + (double)spectrum_weigh(w, p[k]));
    most = fmax(most, sum);
  }
  return most;
}

/* Columns are explained as flow from the baseline out to an edge, or as no flow. Flow with an empty window below it, or
 * hardly brighter than the noise, may be taken for none: then what was left out stands there, clear of the baseline.
 * The share of such columns is our own choice: of 600, noisy and hollow spectra had 85 to 158, sound ones none. */
static void look_beyond(ogv_spectrum *out, const spectrum_box *box, const spectrum_side *a, const edges *e,
                        double high) {
  int n = box->columns, lone = 0, limit = (int)(2 * high);
  for (int c = 0; c < n; c++)
    if (out->vmax[c] == 0) lone += stretch_beyond(box, a, c, e->gap, limit) >= BEYOND_ROWS;
  if (lone >= 4 && lone > 0.02 * n)
    spectrum_refuse(
        out,
        "Flow stands clear of the baseline where none was traced (an empty window below it, or much noise): "
        "trace it by hand or record again with less noise.");
}

static ogv_status trace(spectrum_box *box, const ogv_spectrum_scale *scale, ogv_flow_kind kind, edges *e, double *work,
                        ogv_spectrum *out, ogv_error *err) {
  bool down;
  OGV_TRY(choose_side(box, kind, &e->main, &e->other, &down, err));
  OGV_TRY(look_for_mirror(out, box, kind, e, &down, work, err));
  const spectrum_side *a = down ? &box->down : &box->up, *b = down ? &box->up : &box->down;
  out->below_baseline = down;
  double high = quantile(e->main, box->columns, 0.95, work);
  if (high < 6) {
    spectrum_refuse(out, "No flow found in the box: the signal is too weak or the box is wrong.");
    return OGV_OK;
  }
  e->gap = wall_gap(box, a, e->main, high);
  OGV_TRY(spectrum_side_envelope(box, a, e->gap, e->main, e->main_sure, &out->sharpness.edge_rows, err));
  OGV_TRY(spectrum_side_envelope(box, b, e->gap, e->other, e->other_sure, NULL, err));
  OGV_TRY(unwrap(out, box, a, b, e, err));
  double px = fabs(scale->cm_s_per_pixel);
  compose(out, box, a, b, e, px, work);
  if (!out->unwrapped && !out->mirror) look_beyond(out, box, a, e, high);
  double blur = spectrum_blur(box, a, e->gap, e->main) * scale->s_per_pixel;
  out->sharpness.time_s = sqrt(fmax(0, blur * blur - GRAIN_S * GRAIN_S));
  out->sharpness.edge_rows = hypot(out->sharpness.edge_rows, BLUR_ROWS * out->sharpness.time_s / scale->s_per_pixel);
  spectrum_deblur(out->vmax, out->columns, out->sharpness.time_s / scale->s_per_pixel, work);
  double from_picture = (e->gap + a->first) * px;
  out->wall_filter_cm_s = isnan(scale->wall_filter_cm_s) ? from_picture : fmax(scale->wall_filter_cm_s, px);
  return OGV_OK;
}

/* Whether the wall filter may hide slow flow. */
static bool may_hide(const ogv_spectrum_scale *scale, double wall_filter_cm_s) {
  double limit = isnan(scale->hundred_hz_cm_s) ? 3 : scale->hundred_hz_cm_s;
  return wall_filter_cm_s > 1.15 * limit + fabs(scale->cm_s_per_pixel);
}

/* Last look at a traced curve: an edge that hardly stands out, or indices that no vessel shows, are not given. */
static void doubt(ogv_spectrum *s, const ogv_spectrum_scale *scale) {
  double sure = 0, n = 0, columns = 60 / s->rate_bpm.value / scale->s_per_pixel,
         rows = s->psv.value / fabs(scale->cm_s_per_pixel);
  if (columns < FEW_COLUMNS)
    spectrum_note(s, "Only %.0f columns for a heart beat: a faster sweep shows its peak better.", floor(columns));
  for (size_t i = 0; i < s->columns; i++)
    if (s->vmax[i] != 0) {
      sure += s->confidence[i];
      n++;
    }
  if (n > 0 && sure / n < 0.15)
    spectrum_refuse(s, "The edge of the flow hardly stands out from the noise: record again with less noise.");
  else if (columns < LEAST_COLUMNS)
    spectrum_refuse(s, "Only %.0f columns for a heart beat, %d are needed: record with a faster sweep.", floor(columns),
                    LEAST_COLUMNS);
  else if (rows < LEAST_ROWS)
    spectrum_refuse(
        s, "The peaks are only %.0f rows high, %d are needed: take a smaller velocity scale or a larger picture.",
        floor(rows), LEAST_ROWS);
  else if (scale->wall_filter_cm_s >= s->psv.value)
    spectrum_refuse(s, "The wall filter (%.0f cm/s) would let none of this flow through (%.0f cm/s): look at both.",
                    scale->wall_filter_cm_s, s->psv.value);
  else if (!(s->pi.value < 8))
    spectrum_refuse(s, "The traced curve does not look like flow in a vessel (PI %.1f): trace it by hand.",
                    s->pi.value);
}

ogv_status ogv_spectrum_measure(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_flow_kind kind,
                                ogv_spectrum *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  OGV_TRY(spectrum_check(picture, scale, err));
  size_t n = (size_t)(scale->x1 - scale->x0 + 1);
  out->columns = n;
  out->vmax = calloc(3 * n, sizeof(double));
  double *work = malloc(5 * n * sizeof(double));
  spectrum_box box = {0};
  ogv_status s = OGV_OK;
  if (!out->vmax || !work) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  else s = spectrum_box_prepare(picture, scale, &box, err);
  if (s == OGV_OK) {
    out->vmean = out->vmax + n;
    out->confidence = out->vmax + 2 * n;
    if (scale->note[0]) spectrum_note(out, "%s", scale->note);
    if (box.signal - box.noise_mean < 14 || box.signal <= 0) {
      spectrum_refuse(out, "The spectrum hardly stands out from the noise: raise the Doppler gain and record again.");
    } else {
      edges e = {work, work + n, work + 2 * n, work + 3 * n, 0};
      if (box.curve) spectrum_note(out, "A curve drawn in the grey of the spectrum was left out: compare the trace.");
      if (box.saturated) spectrum_note(out, "The gain is too high: most of the spectrum is at full white.");
      s = trace(&box, scale, kind, &e, work + 4 * n, out, err);
      if (s == OGV_OK && !out->reason[0]) {
        s = spectrum_cycles(out, scale, kind, scale->s_per_pixel, true, may_hide(scale, out->wall_filter_cm_s), err);
        if (s == OGV_OK && out->accepted) doubt(out, scale);
      }
    }
  }
  free(work);
  spectrum_box_free(&box);
  if (s != OGV_OK) ogv_spectrum_free(out);
  return s;
}

static ogv_status from_curve(const double *vmax, const double *vmean, size_t columns, const ogv_spectrum_scale *scale,
                             ogv_flow_kind kind, bool traced, ogv_spectrum *out, ogv_error *err) {
  memset(out, 0, sizeof *out);
  if (columns < 32 || columns > 65536 || !(scale->s_per_pixel > 0))
    return ogv_fail(err, OGV_E_INVALID, "Trace at least one whole cycle.", "the envelope has %zu points", columns);
  out->columns = columns;
  out->vmax = calloc(3 * columns, sizeof(double));
  if (!out->vmax) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  out->vmean = out->vmax + columns;
  out->confidence = out->vmax + 2 * columns;
  for (size_t i = 0; i < columns; i++) {
    out->vmax[i] = vmax[i];
    out->vmean[i] = vmean ? vmean[i] : NAN;
    out->confidence[i] = isnan(vmax[i]) ? 0 : 1;
  }
  out->wall_filter_cm_s = isnan(scale->wall_filter_cm_s) ? fabs(scale->cm_s_per_pixel) : scale->wall_filter_cm_s;
  if (traced) out->sharpness = scale->sharpness;
  if (traced && scale->note[0]) spectrum_note(out, "%s", scale->note);
  ogv_status s = spectrum_cycles(out, scale, kind, scale->s_per_pixel, traced,
                                 traced && may_hide(scale, out->wall_filter_cm_s), err);
  if (s != OGV_OK) ogv_spectrum_free(out);
  return s;
}

ogv_status ogv_spectrum_from_envelope(const double *vmax, const double *vmean, size_t columns,
                                      const ogv_spectrum_scale *scale, ogv_flow_kind kind, ogv_spectrum *out,
                                      ogv_error *err) {
  return from_curve(vmax, vmean, columns, scale, kind, false, out, err);
}

ogv_status ogv_spectrum_from_traced(const double *vmax, size_t columns, const ogv_spectrum_scale *scale,
                                    ogv_flow_kind kind, ogv_spectrum *out, ogv_error *err) {
  return from_curve(vmax, NULL, columns, scale, kind, true, out, err);
}

void ogv_spectrum_free(ogv_spectrum *s) {
  free(s->vmax); /* one block holds the three curves */
  s->vmax = s->vmean = s->confidence = NULL;
  s->columns = 0;
}

const char *ogv_edf_word(ogv_edf e) {
  static const char *const words[] = {"forward", "absent", "reversed", "intermittent", "uncertain"};
  return words[e];
}
