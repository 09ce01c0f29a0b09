#include "private/phantom_draw.h"

#include <stdbool.h>
#include <string.h>

#include "private/phantom_math.h"

static void blend(ogv_image *img, int x, int y, ph_ink c, double a) {
  if (x < 0 || y < 0 || x >= img->width || y >= img->height || a <= 0) return;
  if (a > 1) a = 1;
  uint8_t *p = img->pixels + (size_t)y * img->stride + (size_t)x * (size_t)img->channels;
  uint8_t v[3] = {c.r, c.g, c.b};
  for (int k = 0; k < img->channels; k++) p[k] = (uint8_t)(p[k] + (v[k] - p[k]) * a + 0.5);
}

void ph_dot(ogv_image *img, int x, int y, ph_ink c) { blend(img, x, y, c, 1); }

void ph_fill(ogv_image *img, int x0, int y0, int x1, int y1, ph_ink c) {
  for (int y = y0; y <= y1; y++)
    for (int x = x0; x <= x1; x++) ph_dot(img, x, y, c);
}

/* Accents: name, then rows above the letter (three rows of five columns; capitals use the same, one row higher). */
enum { NONE, ACUTE, GRAVE, HAT, TILDE, DOTS, RING, CEDILLA, CARON, STROKE, BAR };
static const unsigned char accent_rows[][3] = {
    [ACUTE] = {0x02, 0x04, 0}, [GRAVE] = {0x08, 0x04, 0},   [HAT] = {0x04, 0x0a, 0},   [TILDE] = {0x0d, 0x16, 0},
    [DOTS] = {0x0a, 0x00, 0},  [RING] = {0x04, 0x0a, 0x04}, [CARON] = {0x0a, 0x04, 0}, [BAR] = {0x0e, 0, 0}};
typedef struct {
  unsigned code;
  char base;
  unsigned char accent;
} composed;
static const composed letters[] = {
    {0xc0, 'A', GRAVE},    {0xc1, 'A', ACUTE},   {0xc2, 'A', HAT},    {0xc3, 'A', TILDE},  {0xc4, 'A', DOTS},
    {0xc5, 'A', RING},     {0xc7, 'C', CEDILLA}, {0xc8, 'E', GRAVE},  {0xc9, 'E', ACUTE},  {0xca, 'E', HAT},
    {0xcb, 'E', DOTS},     {0xcd, 'I', ACUTE},   {0xce, 'I', HAT},    {0xcf, 'I', DOTS},   {0xd1, 'N', TILDE},
    {0xd3, 'O', ACUTE},    {0xd4, 'O', HAT},     {0xd5, 'O', TILDE},  {0xd6, 'O', DOTS},   {0xd8, 'O', STROKE},
    {0xda, 'U', ACUTE},    {0xdc, 'U', DOTS},    {0xdd, 'Y', ACUTE},  {0xe0, 'a', GRAVE},  {0xe1, 'a', ACUTE},
    {0xe2, 'a', HAT},      {0xe3, 'a', TILDE},   {0xe4, 'a', DOTS},   {0xe5, 'a', RING},   {0xe7, 'c', CEDILLA},
    {0xe8, 'e', GRAVE},    {0xe9, 'e', ACUTE},   {0xea, 'e', HAT},    {0xeb, 'e', DOTS},   {0xed, 'i', ACUTE},
    {0xee, 'i', HAT},      {0xef, 'i', DOTS},    {0xf1, 'n', TILDE},  {0xf3, 'o', ACUTE},  {0xf4, 'o', HAT},
    {0xf5, 'o', TILDE},    {0xf6, 'o', DOTS},    {0xf8, 'o', STROKE}, {0xfa, 'u', ACUTE},  {0xfb, 'u', HAT},
    {0xfc, 'u', DOTS},     {0xfd, 'y', ACUTE},   {0x107, 'c', ACUTE}, {0x10c, 'C', CARON}, {0x10d, 'c', CARON},
    {0x119, 'e', CEDILLA}, {0x11b, 'e', CARON},  {0x11f, 'g', BAR},   {0x131, 'i', NONE},  {0x141, 'L', STROKE},
    {0x142, 'l', STROKE},  {0x144, 'n', ACUTE},  {0x159, 'r', CARON}, {0x15b, 's', ACUTE}, {0x15e, 'S', CEDILLA},
    {0x15f, 's', CEDILLA}, {0x160, 'S', CARON},  {0x161, 's', CARON}, {0x16f, 'u', RING},  {0x17a, 'z', ACUTE},
    {0x17c, 'z', RING},    {0x17d, 'Z', CARON},  {0x17e, 'z', CARON}, {0xb0, '\'', NONE}};

static unsigned next_code(const char **s) {
  const unsigned char *p = (const unsigned char *)*s;
  unsigned c = p[0];
  int more = c < 0x80 ? 0 : c >= 0xf0 ? 3 : c >= 0xe0 ? 2 : c >= 0xc0 ? 1 : 0;
  if (more) c &= 0x3fu >> more;
  int i = 1;
  for (; i <= more && (p[i] & 0xc0) == 0x80; i++) c = c << 6 | (p[i] & 0x3fu);
  *s += i;
  return c;
}

/* Rows of one glyph: 3 above, 9 of the letter. */
static void glyph_rows(unsigned code, unsigned char rows[12]) {
  memset(rows, 0, 12);
  char base = '?';
  int accent = NONE;
  if (code >= 32 && code < 127) base = (char)code;
  else
    for (size_t i = 0; i < sizeof letters / sizeof *letters; i++)
      if (letters[i].code == code) {
        base = letters[i].base;
        accent = letters[i].accent;
      }
  memcpy(rows + 3, ph_font[base - 32], 9);
  if (accent == CEDILLA) {
    rows[10] |= 0x04;
    rows[11] |= 0x08;
  } else if (accent == STROKE) {
    rows[5] |= 0x02;
    rows[6] |= 0x04;
    rows[7] |= 0x08;
  } else if (accent != NONE) {
    bool capital = base >= 'A' && base <= 'Z';
    if (base == 'i') rows[3] = rows[4] = 0; /* the dot goes */
    for (int i = 0; i < 3; i++)
      if (accent_rows[accent][i]) rows[(capital ? 0 : 2) + i] |= accent_rows[accent][i];
  }
}

static bool ink_at(const unsigned char rows[12], int x, int y) {
  return x >= 0 && x < 5 && y >= 0 && y < 12 && (rows[y] >> (4 - x) & 1);
}

/* One letter pixel becomes scale x scale dots; inner corners of diagonals are filled half, which rounds the letters. */
static void draw_glyph(ogv_image *img, int x, int y, int scale, const unsigned char rows[12], ph_ink c) {
  for (int j = 0; j < 12; j++)
    for (int i = 0; i < 5; i++) {
      int px = x + i * scale, py = y + (j - 3) * scale;
      if (ink_at(rows, i, j)) {
        ph_fill(img, px, py, px + scale - 1, py + scale - 1, c);
        continue;
      }
      if (scale < 2) continue;
      bool l = ink_at(rows, i - 1, j), r = ink_at(rows, i + 1, j), u = ink_at(rows, i, j - 1),
           d = ink_at(rows, i, j + 1);
      if (l && u && !ink_at(rows, i - 1, j - 1)) blend(img, px, py, c, 0.55);
      if (r && u && !ink_at(rows, i + 1, j - 1)) blend(img, px + scale - 1, py, c, 0.55);
      if (l && d && !ink_at(rows, i - 1, j + 1)) blend(img, px, py + scale - 1, c, 0.55);
      if (r && d && !ink_at(rows, i + 1, j + 1)) blend(img, px + scale - 1, py + scale - 1, c, 0.55);
    }
}

int ph_text(ogv_image *img, int x, int y, int scale, const char *utf8, ph_ink c) {
  while (*utf8) {
    unsigned char rows[12];
    glyph_rows(next_code(&utf8), rows);
    draw_glyph(img, x, y, scale, rows, c);
    x += 6 * scale;
  }
  return x;
}

int ph_text_width(int scale, const char *utf8) {
  int n = 0;
  while (*utf8) {
    next_code(&utf8);
    n++;
  }
  return n * 6 * scale;
}

void ph_text_right(ogv_image *img, int x_right, int y, int scale, const char *utf8, ph_ink c) {
  ph_text(img, x_right - ph_text_width(scale, utf8), y, scale, utf8, c);
}

void ph_line(ogv_image *img, double x0, double y0, double x1, double y1, double width, ph_ink c) {
  double dx = x1 - x0, dy = y1 - y0, len = sqrt(dx * dx + dy * dy), half = width / 2;
  int left = (int)floor((x0 < x1 ? x0 : x1) - half - 1), right = (int)floor((x0 > x1 ? x0 : x1) + half + 2);
  int top = (int)floor((y0 < y1 ? y0 : y1) - half - 1), bottom = (int)floor((y0 > y1 ? y0 : y1) + half + 2);
  for (int y = top; y <= bottom; y++)
    for (int x = left; x <= right; x++) {
      double t = len > 0 ? ((x - x0) * dx + (y - y0) * dy) / (len * len) : 0;
      t = ph_clamp(t, 0, 1);
      double ex = x - x0 - t * dx, ey = y - y0 - t * dy, d = sqrt(ex * ex + ey * ey);
      blend(img, x, y, c, half + 0.5 - d);
    }
}

static void soft_dot(ogv_image *img, double x, double y, ph_ink c) { ph_line(img, x, y, x, y, 1.5, c); }

void ph_dotted(ogv_image *img, double x0, double y0, double x1, double y1, double step, ph_ink c) {
  double dx = x1 - x0, dy = y1 - y0, len = sqrt(dx * dx + dy * dy);
  int n = (int)(len / step);
  for (int i = 0; i <= n; i++)
    soft_dot(img, x0 + dx * i * step / (len > 0 ? len : 1), y0 + dy * i * step / (len > 0 ? len : 1), c);
}

void ph_cross(ogv_image *img, double x, double y, int r, int kind, ph_ink c) {
  if (kind == 0) {
    ph_line(img, x - r, y, x + r, y, 1.2, c);
    ph_line(img, x, y - r, x, y + r, 1.2, c);
  } else {
    double d = r * 0.75;
    ph_line(img, x - d, y - d, x + d, y + d, 1.2, c);
    ph_line(img, x - d, y + d, x + d, y - d, 1.2, c);
  }
}

void ph_dotted_ellipse(ogv_image *img, double cx, double cy, double a, double b, double angle, double step, ph_ink c) {
  int n = (int)(ph_ellipse_perimeter(2 * a, 2 * b) / step);
  double ca = ph_cos(angle), sa = ph_sin(angle);
  for (int i = 0; i < n; i++) {
    double t = 2 * PH_PI * i / n, u = a * ph_cos(t), v = b * ph_sin(t);
    soft_dot(img, cx + u * ca - v * sa, cy + u * sa + v * ca, c);
  }
}
