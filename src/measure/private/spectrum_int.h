/* Inside of the spectral reader: the box as two sides of the baseline, the envelope, the cycles. */
#ifndef SPECTRUM_INT_H
#define SPECTRUM_INT_H

#include "measure_spectrum.h"

#define SMOOTH_UNIT 64 /* smoothed levels are whole 64ths of a grey level: the weights' sum, so nothing is rounded */

/* One side of the baseline. Row k lies first + k pixels from the baseline; level[c*rows + k], column-major so that a
 * column is contiguous. Memory is the box's. */
typedef struct spectrum_side {
  int rows;
  double first;     /* distance of row 0 from the baseline, pixels, in (0,1] */
  uint8_t *raw;     /* grey 0..255, annotations filled in, W*rows */
  uint8_t *seen;    /* 1; 0 where an annotation hid what was there */
  uint16_t *smooth; /* lightly smoothed copy, in SMOOTH_UNITths of a grey level */
} spectrum_side;

typedef struct spectrum_box {
  int columns;
  int span; /* columns averaged on each side along the path: some 8 ms, so that narrow peaks stay */
  spectrum_side up, down;
  spectrum_side whole; /* see spectrum_box_extend */
  float *score;        /* columns * (all rows + 2): room for the path search, one at a time */
  void *block;         /* the memory of all of these: one block, kept small, for fresh pages are slow to come by */
  double noise_mean, noise_sd; /* of the smoothed grey levels */
  double darkest;              /* mean of the darkest twentieth */
  double signal;               /* typical grey level of flow */
  double edge_level;           /* grey level that parts flow from what is not flow when the path is sought */
  double edge_scale;           /* grey levels from there to where a pixel counts in full */
  bool curve;                  /* a traced curve of the spectrum's own grey was left out */
  bool saturated;              /* gain too high: most flow pixels are at the top of the scale */
} spectrum_box;

/* Whether the box, the scales and the baseline can be used on this picture. */
ogv_status spectrum_check(const ogv_image *picture, const ogv_spectrum_scale *scale, ogv_error *err);

/* How a smoothed level counts when the path is sought: from 1, flow, to -1, none. */
typedef struct spectrum_weighing {
  float level, gain;
} spectrum_weighing;
static inline spectrum_weighing spectrum_weighing_of(const spectrum_box *box) {
  return (spectrum_weighing){(float)(box->edge_level * SMOOTH_UNIT), (float)(1 / (box->edge_scale * SMOOTH_UNIT))};
}
static inline float spectrum_weigh(spectrum_weighing w, uint16_t smooth) {
  float v = ((float)smooth - w.level) * w.gain;
  return v > 1 ? 1 : v < -1 ? -1 : v;
}

ogv_status spectrum_box_prepare(const ogv_image *picture, const ogv_spectrum_scale *scale, spectrum_box *box,
                                ogv_error *err);
void spectrum_box_free(spectrum_box *box);

/* Makes box->whole: side a continued by side b from its far edge inwards, as an aliased spectrum continues. */
void spectrum_box_extend(spectrum_box *box, const spectrum_side *a, const spectrum_side *b);

/* Where "not flow" is that bright and flow that bright (grey levels), the edge is sought halfway. */
void spectrum_box_part(spectrum_box *box, double not_flow, double flow);

typedef struct spectrum_mirror {
  bool found, too_bright;    /* too bright: hardly dimmer than the flow */
  double flow, copy, ground; /* mean grey levels: of the flow, of its copy, of what the copy lies on */
  double near;               /* of the half of the copy that is next to the baseline */
  double cells;              /* how much there was to compare */
} spectrum_mirror;

/* Whether something dimmer lies opposite to the flow, and how bright both are. Says nothing of its shape yet. */
bool spectrum_mirror_suspected(const spectrum_box *box, double *flow, double *copy);

/* Whether what lies opposite copies the flow whose edges on both sides (distances from the baseline, pixels; 0: none)
 * are given. */
ogv_status spectrum_mirror_look(const spectrum_box *box, const spectrum_side *main_side, const spectrum_side *other,
                                const double *main_edge, const double *other_edge, int gap, spectrum_mirror *m,
                                ogv_error *err);

/* Marks upright crosses of any grey in mask (w*h, nonzero: annotation). */
void spectrum_mask_crosses(const uint8_t *grey, int w, int h, uint8_t *mask);

/* Marks upright lines of any grey, whole or dotted, and a traced curve of one grey, in mask (0 or 1) likewise.
 * *curve: whether there was one. False when out of memory. */
void spectrum_mask_uprights(const uint8_t *grey, int w, int h, uint8_t *mask);
bool spectrum_mask_curve(const uint8_t *grey, int w, int h, uint8_t *mask, bool *curve);

/* Envelope of one side: edge[c] is the distance from the baseline in pixels (0: no flow), confidence[c] 0..1.
 * `skip` rows nearest the baseline are ignored (wall filter). *doubt, if not NULL: how far the half-power point may
 * lie from the edge as a whole, rows. Uses box->score. */
ogv_status spectrum_side_envelope(const spectrum_box *box, const spectrum_side *side, int skip, double *edge,
                                  double *confidence, double *doubt, ogv_error *err);

/* The same without refinement, from every other column: good enough to tell the main side and the wall filter's gap. */
ogv_status spectrum_side_rough(const spectrum_box *box, const spectrum_side *side, double *edge, ogv_error *err);

/* Intensity-weighted mean distance within the edge for column c, pixels. */
double spectrum_side_mean(const spectrum_box *box, const spectrum_side *side, int c, double edge);

/* SD of the blur along time in columns, from how alike the grain of the flow (inside of edge[c], pixels, past `skip`
 * rows) is in neighbouring columns. 0 where there is too little to compare. */
double spectrum_blur(const spectrum_box *box, const spectrum_side *side, int skip, const double *edge);

/* Takes the blur (SD in columns) back out of a curve of flow. work: n. */
void spectrum_deblur(double *v, size_t n, double blur, double *work);

/* Period of a signal of n samples by autocorrelation, lags lo..hi (samples). Returns the lag (fractional) or 0 when
 * there is none; *confidence is the height of the normalised peak. NaN samples are left out. */
double spectrum_period(const double *v, size_t n, double lo, double hi, double *confidence);

/* Gaussian smoothing of a curve with gaps (NaN); sd in samples. out may not be v. */
void spectrum_smooth(const double *v, size_t n, double sd, double *out);

/* traced: the envelope comes from a picture and is noisy; one placed by a person is taken as it is.
 * Finds cycles in s->vmax and fills cycles, estimates, edf, accepted/reason. */
ogv_status spectrum_cycles(ogv_spectrum *s, const ogv_spectrum_scale *scale, ogv_flow_kind kind, double dt, bool traced,
                           bool flow_may_hide, ogv_error *err);

void spectrum_note(ogv_spectrum *s, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
void spectrum_refuse(ogv_spectrum *s, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

#endif
