/* A 240 MB clip: opening it and showing any frame must neither take long nor load the clip. Goals: open under 200 ms, a
 * frame under 200 ms (first picture on the screen, issue of the stage), memory of the process under 100 MB. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "dicom_write.h"

#define FRAMES 100

static double now_ms(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (double)t.tv_sec * 1e3 + (double)t.tv_nsec / 1e6;
}

/* Written by a child, so that its memory does not count. */
static int make(const char *path, ogv_write_syntax syntax) {
  pid_t child = fork();
  if (child == 0) {
    static ogv_image f[FRAMES];
    for (int i = 0; i < FRAMES; i++) {
      if (ogv_image_new(1024, 768, 3, &f[i], NULL) != OGV_OK) _exit(1);
      for (size_t b = 0; b < f[i].stride * 768; b++) f[i].pixels[b] = (uint8_t)(b / 5 + (size_t)i * 7 + (b >> 9) * 13);
    }
    ogv_dicom_picture p = {.frames = f, .n_frames = FRAMES, .syntax = syntax, .jpeg_quality = 85};
    ogv_dicom_info_empty(&p.about);
    snprintf(p.about.sop_instance, OGV_UID, "2.25.1");
    snprintf(p.about.study, OGV_UID, "2.25.2");
    snprintf(p.about.series, OGV_UID, "2.25.3");
    p.about.frame_ms = 20;
    _exit(ogv_dicom_write_picture(path, &p, NULL) == OGV_OK ? 0 : 1);
  }
  int status = 1;
  return child > 0 && waitpid(child, &status, 0) == child && status == 0;
}

static int look(const char *path, const char *name) {
  static const int order[] = {0, FRAMES - 1, 1, FRAMES / 2};
  ogv_error err = {0};
  ogv_dicom *d;
  double t = now_ms(), worst = 0;
  if (ogv_dicom_open(path, &d, &err) != OGV_OK) return fprintf(stderr, "%s\n", err.what), 1;
  double opened = now_ms() - t;
  for (size_t i = 0; i < sizeof order / sizeof order[0]; i++) {
    ogv_image img;
    t = now_ms();
    if (ogv_dicom_frame(d, order[i], &img, &err) != OGV_OK) return fprintf(stderr, "%s\n", err.what), 1;
    t = now_ms() - t;
    worst = t > worst ? t : worst;
    ogv_image_free(&img);
  }
  ogv_dicom_close(d);
  struct rusage u;
  getrusage(RUSAGE_SELF, &u);
  printf("%s: open %.1f ms, worst frame %.1f ms, peak memory %ld MB\n", name, opened, worst, u.ru_maxrss / 1024);
  return opened > 200 || worst > 200 || u.ru_maxrss > 100 * 1024;
}

int main(void) {
  char path[] = "/tmp/ogive-bench-XXXXXX";
  int fd = mkstemp(path), missed = 0;
  if (fd < 0) return 1;
  close(fd);
  missed |= !make(path, OGV_WRITE_EXPLICIT_LE) || look(path, "uncompressed");
  missed |= !make(path, OGV_WRITE_JPEG_BASELINE) || look(path, "JPEG baseline");
  unlink(path);
  return missed;
}
