/* Reading shapes out of the networks' maps. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "private/auto_shape.h"

float auto_map_at(const auto_map *m, double x, double y) {
  if (!(x >= 0 && y >= 0 && x <= m->w - 1 && y <= m->h - 1)) return -50;
  int i = (int)x, j = (int)y;
  if (i > m->w - 2) i = m->w - 2;
  if (j > m->h - 2) j = m->h - 2;
  float u = (float)(x - i), v = (float)(y - j);
  const float *p = m->v + ((long)j * m->w + i) * m->stride;
  const float *q = p + (long)m->w * m->stride;
  return (1 - v) * ((1 - u) * p[0] + u * p[m->stride]) + v * ((1 - u) * q[0] + u * q[m->stride]);
}

int auto_map_parts(const auto_map *m, int *label, auto_part *parts, int maximum) {
  const int n = m->w * m->h;
  int found = 0, next = 0;
  int *stack = malloc(sizeof *stack * (size_t)n);
  memset(label, 0, sizeof *label * (size_t)n);
  if (!stack) return 0;
  for (int start = 0; start < n; start++) {
    if (label[start] || !(m->v[(long)start * m->stride] > 0)) continue;
    auto_part p = {.label = ++next};
    int top = 0;
    stack[top++] = start;
    label[start] = p.label;
    while (top) {
      int at = stack[--top], x = at % m->w, y = at / m->w;
      p.pixels++;
      p.cx += x;
      p.cy += y;
      p.sum += 1 / (1 + exp(-(double)m->v[(long)at * m->stride]));
      const int dx[4] = {1, -1, 0, 0}, dy[4] = {0, 0, 1, -1};
      for (int k = 0; k < 4; k++) {
        int u = x + dx[k], v = y + dy[k], to = v * m->w + u;
        if (u < 0 || v < 0 || u >= m->w || v >= m->h || label[to] || !(m->v[(long)to * m->stride] > 0)) continue;
        label[to] = p.label;
        stack[top++] = to;
      }
    }
    p.cx /= p.pixels;
    p.cy /= p.pixels;
    if (found < maximum) parts[found++] = p;
  }
  free(stack);
  return found;
}

/* The map with other parts made negative. */
static float own(const auto_map *m, const int *label, int want, double x, double y) {
  float v = auto_map_at(m, x, y);
  if (v <= 0) return v;
  int i = (int)(x + 0.5), j = (int)(y + 0.5);
  int l = label[j * m->w + i];
  return l == 0 || l == want ? v : -1;
}

size_t auto_map_outline(const auto_map *m, const int *label, const auto_part *p, double *xy) {
  size_t n = 0;
  const double reach = hypot(m->w, m->h), step = 0.5;
  for (int k = 0; k < 120; k++) {
    double c = cos(2 * M_PI * k / 120), s = sin(2 * M_PI * k / 120);
    float before = own(m, label, p->label, p->cx, p->cy);
    for (double r = step; r < reach; r += step) {
      double x = p->cx + r * c, y = p->cy + r * s;
      float v = own(m, label, p->label, x, y);
      if (before > 0 && v <= 0) {
        if (v <= -49) break; /* leaves the map: not an outline */
        double at = r - step + step * (double)before / (double)(before - v);
        xy[2 * n] = p->cx + at * c;
        xy[2 * n + 1] = p->cy + at * s;
        n++;
        break;
      }
      before = v;
    }
  }
  return n;
}
