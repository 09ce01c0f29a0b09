/* sRGB profile, version 4.3, display class, parametric curve type 3: see private/report_icc.h. */
#include "private/report_icc.h"

#include <math.h>
#include <string.h>

static void u32(uint8_t *p, uint32_t v) {
  p[0] = (uint8_t)(v >> 24);
  p[1] = (uint8_t)(v >> 16);
  p[2] = (uint8_t)(v >> 8);
  p[3] = (uint8_t)v;
}
static void fixed(uint8_t *p, double v) { u32(p, (uint32_t)(int32_t)lrint(v * 65536)); }

static size_t text_tag(uint8_t *p, const char *s) { /* multiLocalizedUnicodeType with one English record */
  size_t n = strlen(s);
  memcpy(p, "mluc", 4);
  u32(p + 8, 1);
  u32(p + 12, 12);
  memcpy(p + 16, "enUS", 4);
  u32(p + 20, (uint32_t)(2 * n));
  u32(p + 24, 28);
  for (size_t i = 0; i < n; i++) p[28 + 2 * i + 1] = (uint8_t)s[i];
  return 28 + 2 * n;
}

static size_t xyz_tag(uint8_t *p, double x, double y, double z) {
  memcpy(p, "XYZ ", 4);
  fixed(p + 8, x);
  fixed(p + 12, y);
  fixed(p + 16, z);
  return 20;
}

static size_t curve_tag(uint8_t *p) { /* Y = (aX+b)^g for X >= d, else cX */
  static const double k[5] = {2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045};
  memcpy(p, "para", 4);
  p[9] = 3;
  for (int i = 0; i < 5; i++) fixed(p + 12 + 4 * i, k[i]);
  return 32;
}

/* Bradford adaptation of D65 to the profile's D50 white; its columns hold the adapted primaries. */
static const double chad[9] = {1.0478112,  0.0228866,  -0.0501270, 0.0295424, 0.9904844,
                               -0.0170491, -0.0092345, 0.0150436,  0.7521316};

size_t icc_srgb(uint8_t buf[ICC_SIZE]) {
  static const char names[10][5] = {"desc", "cprt", "wtpt", "rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC", "chad"};
  memset(buf, 0, ICC_SIZE);
  u32(buf + 8, 0x04300000);
  memcpy(buf + 12, "mntrRGB XYZ ", 12);
  static const uint8_t date[12] = {0x07, 0xd0, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0};
  memcpy(buf + 24, date, 12);
  memcpy(buf + 36, "acsp", 4);
  fixed(buf + 68, 0.9642);
  fixed(buf + 72, 1);
  fixed(buf + 76, 0.8249);
  u32(buf + 128, 10);
  size_t at = 128 + 4 + 10 * 12, curve = 0, curve_n = 0;
  for (int i = 0; i < 10; i++) {
    uint8_t *entry = buf + 132 + 12 * i, *p = buf + at;
    size_t n = 0;
    memcpy(entry, names[i], 4);
    if (i >= 7 && i <= 8) { /* the three curves are one */
      u32(entry + 4, (uint32_t)curve);
      u32(entry + 8, (uint32_t)curve_n);
      continue;
    }
    switch (i) {
      case 0: n = text_tag(p, "sRGB"); break;
      case 1: n = text_tag(p, "CC0"); break;
      case 2: n = xyz_tag(p, 0.9642, 1, 0.8249); break;
      case 3: n = xyz_tag(p, 0.4360747, 0.2225045, 0.0139322); break;
      case 4: n = xyz_tag(p, 0.3850649, 0.7168786, 0.0971045); break;
      case 5: n = xyz_tag(p, 0.1430804, 0.0606169, 0.7141733); break;
      case 6: n = curve_tag(p); break;
      default:
        memcpy(p, "sf32", 4);
        for (int k = 0; k < 9; k++) fixed(p + 8 + 4 * k, chad[k]);
        n = 44;
    }
    u32(entry + 4, (uint32_t)at);
    u32(entry + 8, (uint32_t)n);
    if (i == 6) curve = at, curve_n = n;
    at += (n + 3) & ~(size_t)3;
  }
  u32(buf, (uint32_t)at);
  return at;
}
