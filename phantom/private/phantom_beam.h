/* Image formation of a curved array in beam space, and its conversion to pixels.
 *
 * Scatterers are complex Gaussian (fixed to the material), weighted by the tissue's amplitude, attenuated along the
 * beam, and convolved with the pulse along the beam and with the beam's profile across it, which widens away from the
 * focus. The magnitude therefore has Rayleigh statistics in uniform tissue. Interfaces are added coherently. */
#ifndef PHANTOM_BEAM_H
#define PHANTOM_BEAM_H

#include "imaging_image.h"
#include "imaging_region.h"
#include "private/phantom_scene.h"

typedef struct ph_view {
  double radius_mm;  /* of the probe's face */
  double half_angle; /* of the sector, radians */
  double depth_mm;
  double mm_per_px;
  double ox, oy;      /* pixel of the middle of the probe's face (pixel-centre coordinates, may lie outside) */
  int x0, y0, x1, y1; /* box in the picture where the sector is shown, inclusive */
} ph_view;

typedef struct ph_set { /* how the scanner is set */
  double gain_db;
  double dynamic_range_db;
  double noise_db;  /* electronic noise at the surface against mid tissue; grows with depth through TGC */
  double tgc_db_cm; /* what it costs in noise with depth */
  double pulse_mm;  /* SD of the pulse's envelope along the beam */
  double beam_mm;   /* SD of the beam across at the focus */
  double focus_mm;
  int looks;          /* independent looks averaged (compounding), 1..3 */
  double haze;        /* reverberation behind bright interfaces, 0..1 */
  double near_db;     /* near-field clutter under the probe, dB; -60 none */
  int beams, samples; /* size of beam space */
  double elevation;   /* how far the plane lies from where it was, in beam thicknesses: speckle changes with it */
  uint64_t seed;
  uint64_t noise_seed; /* of the electronic noise; 0: seed */
} ph_set;

typedef struct ph_polar {
  int beams, samples;
  float *grey;
} ph_polar; /* grey 0..1, sample-major rows of beams */

void ph_set_defaults(ph_set *s);
/* Forms the polar picture. Free polar->grey with free(). */
ogv_status ph_form(const ph_scene *scene, const ph_view *v, const ph_set *s, ph_polar *out, ogv_error *err);
/* Draws it into an RGB or grey picture (outside the sector the picture is left as it is). */
void ph_convert(const ph_polar *p, const ph_view *v, ogv_image *img);
/* Both at once. */
ogv_status ph_shoot(const ph_scene *scene, const ph_view *v, const ph_set *s, ogv_image *img, ogv_error *err);

void ph_to_pixel(const ph_view *v, double x_mm, double z_mm, double *px, double *py);
void ph_to_mm(const ph_view *v, double px, double py, double *x_mm, double *z_mm);
ogv_region ph_view_region(
    const ph_view *v); /* as a scanner writes it: cm, reference at the probe's face, judged members set */

#endif
