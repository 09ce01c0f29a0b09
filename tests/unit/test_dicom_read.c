/* Reading back what was written, and refusing what cannot be trusted: each refusal names the tag at fault. Files are
 * made by the writer and then damaged on the byte level, so no sample data are needed. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "core_file.h"
#include "dicom_report.h"
#include "dicom_write.h"
#include "imaging_geometry.h"
#include "obstetrics_quantity.h"

static char folder[] = "/tmp/ogive-read-XXXXXX", path[128];

static int group_setup(void **state) {
  (void)state;
  if (!mkdtemp(folder)) return -1;
  snprintf(path, sizeof path, "%s/a.dcm", folder);
  return 0;
}
static int group_teardown(void **state) {
  (void)state;
  char cmd[128];
  snprintf(cmd, sizeof cmd, "rm -rf %s", folder);
  return system(cmd);
}

static void identity(ogv_dicom_info *a) {
  ogv_dicom_info_empty(a);
  snprintf(a->sop_instance, sizeof a->sop_instance, "%s", "2.25.11");
  snprintf(a->study, sizeof a->study, "%s", "2.25.12");
  snprintf(a->series, sizeof a->series, "%s", "2.25.13");
  snprintf(a->patient_id, sizeof a->patient_id, "%s", "T-1");
  snprintf(a->patient_name, sizeof a->patient_name, "%s", "MÜLLER^ÅDNE^^DR=山田^花子");
  snprintf(a->study_time, sizeof a->study_time, "%s", "101500");
  snprintf(a->manufacturer, sizeof a->manufacturer, "%s", "Ogive");
  a->study_date = 20458;
  a->lmp = 20300;
}

static void smooth(ogv_image *img, int seed) {
  for (int y = 0; y < img->height; y++)
    for (int x = 0; x < img->width; x++)
      for (int c = 0; c < img->channels; c++)
        img->pixels[(size_t)y * img->stride + (size_t)(x * img->channels + c)] =
            (uint8_t)(128 + 60 * sin(0.05 * x + seed) + 50 * cos(0.04 * y + c));
}

static void write_clip(int channels, int n, ogv_write_syntax syntax, const double *times, double frame_ms,
                       ogv_region *region) {
  ogv_image frames[5];
  for (int i = 0; i < n; i++) {
    assert_int_equal(ogv_image_new(120, 90, channels, &frames[i], NULL), OGV_OK);
    smooth(&frames[i], i);
  }
  ogv_dicom_picture p = {.frames = frames,
                         .n_frames = n,
                         .syntax = syntax,
                         .jpeg_quality = 95,
                         .frame_times_ms = times,
                         .regions = region,
                         .n_regions = region ? 1 : 0};
  identity(&p.about);
  p.about.frame_ms = frame_ms;
  p.about.mechanical_index = 0.9;
  ogv_error err = {0};
  if (ogv_dicom_write_picture(path, &p, &err) != OGV_OK) fail_msg("%s", err.what);
  for (int i = 0; i < n; i++) ogv_image_free(&frames[i]);
}

static ogv_dicom *must_open(void) {
  ogv_dicom *d;
  ogv_error err = {0};
  if (ogv_dicom_open(path, &d, &err) != OGV_OK) fail_msg("%s", err.what);
  return d;
}

static void test_round_trip(void **state) {
  (void)state;
  for (int syntax = OGV_WRITE_EXPLICIT_LE; syntax <= OGV_WRITE_RLE; syntax++)
    for (int channels = 1; channels <= 3; channels += 2) {
      ogv_region region = {.format = 1,
                           .data_type = 1,
                           .unit_x = 3,
                           .unit_y = 3,
                           .flags = 2,
                           .x1 = 119,
                           .y1 = 89,
                           .has_ref_y = true,
                           .ref_y = -7,
                           .ref_value_y = 0.5,
                           .delta_x = 0.021,
                           .delta_y = 0.022,
                           .transducer_khz = 3500,
                           .prf_hz = NAN,
                           .correction_angle_deg = 12.5,
                           .steering_angle_deg = NAN};
      write_clip(channels, 3, (ogv_write_syntax)syntax, NULL, 33.5, &region);
      ogv_dicom *d = must_open();
      const ogv_dicom_info *a = ogv_dicom_about(d);
      assert_int_equal(a->frames, 3);
      assert_string_equal(a->patient_name, "MÜLLER^ÅDNE^^DR=山田^花子");
      assert_int_equal(a->lmp, 20300);
      assert_true(a->frame_ms == 33.5 && a->mechanical_index == 0.9 && isnan(a->thermal_bone));
      assert_string_equal(a->time_base, "frame-time");
      assert_true(ogv_dicom_frame_time_ms(d, 2) == 67 && isnan(ogv_dicom_frame_time_ms(d, 3)));
      assert_int_equal(a->lossy, syntax == OGV_WRITE_JPEG_BASELINE);
      size_t n;
      const ogv_region *r = ogv_dicom_regions(d, &n);
      assert_int_equal(n, 1);
      assert_true(r->delta_x == 0.021 && r->delta_y == 0.022 && r->ref_y == -7 && r->ref_value_y == 0.5 &&
                  !r->has_ref_x);
      assert_true(r->transducer_khz == 3500 && isnan(r->prf_hz) && r->correction_angle_deg == 12.5);
      assert_true(r->measurable_x && r->absolute_y && !r->absolute_x);
      for (int f = 2; f >= 0; f--) {
        ogv_image img, want;
        ogv_error err = {0};
        if (ogv_dicom_frame(d, f, &img, &err) != OGV_OK) fail_msg("syntax %d: %s", syntax, err.what);
        assert_int_equal(img.channels, channels);
        assert_int_equal(ogv_image_new(120, 90, channels, &want, NULL), OGV_OK);
        smooth(&want, f);
        int worst = 0;
        for (size_t i = 0; i < (size_t)(120 * 90 * channels); i++) {
          int e = abs(img.pixels[i] - want.pixels[i]);
          worst = e > worst ? e : worst;
        }
        assert_true(worst <= (syntax == OGV_WRITE_JPEG_BASELINE ? 6 : 0));
        ogv_image_free(&img);
        ogv_image_free(&want);
      }
      uint8_t *jpeg;
      size_t size;
      ogv_status s = ogv_dicom_frame_jpeg(d, 1, &jpeg, &size, NULL);
      assert_int_equal(s, syntax == OGV_WRITE_JPEG_BASELINE ? OGV_OK : OGV_E_UNSUPPORTED);
      if (s == OGV_OK) assert_true(size > 100 && jpeg[0] == 0xFF && jpeg[1] == 0xD8);
      free(jpeg);
      ogv_image img;
      assert_int_equal(ogv_dicom_frame(d, 3, &img, NULL), OGV_E_RANGE);
      assert_int_equal(ogv_dicom_frame(d, -1, &img, NULL), OGV_E_RANGE);
      ogv_dicom_close(d);
    }
}

static void test_times(void **state) {
  (void)state;
  double uneven[] = {0, 20, 25, 20}, even[] = {0, 20, 20, 20};
  write_clip(1, 4, OGV_WRITE_EXPLICIT_LE, uneven, 0, NULL);
  ogv_dicom *d = must_open();
  assert_string_equal(ogv_dicom_about(d)->time_base, "vector");
  assert_true(ogv_dicom_about(d)->frame_ms == 0 && ogv_dicom_frame_time_ms(d, 3) == 65);
  ogv_dicom_close(d);
  write_clip(1, 4, OGV_WRITE_EXPLICIT_LE, even, 0, NULL);
  d = must_open();
  assert_true(ogv_dicom_about(d)->frame_ms == 20);
  ogv_dicom_close(d);
  write_clip(1, 4, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL); /* frame time 0 is none */
  d = must_open();
  assert_string_equal(ogv_dicom_about(d)->time_base, "none");
  assert_true(isnan(ogv_dicom_frame_time_ms(d, 1)));
  ogv_dicom_close(d);
}

/* --- damage ------------------------------------------------------------------------------------------------- */

static uint8_t *bytes;
static size_t n_bytes;

static void load(void) {
  free(bytes);
  assert_int_equal(ogv_file_read(path, 1 << 26, &bytes, &n_bytes, NULL), OGV_OK);
}
static void store(void) { assert_int_equal(ogv_file_write(path, bytes, n_bytes, NULL), OGV_OK); }

/* Value of an explicit little-endian element with a 16-bit length; the last one in the file. */
static uint8_t *find(unsigned group, unsigned element, const char *vr) {
  uint8_t key[6] = {(uint8_t)group,          (uint8_t)(group >> 8), (uint8_t)element,
                    (uint8_t)(element >> 8), (uint8_t)vr[0],        (uint8_t)vr[1]};
  for (size_t i = n_bytes - 8; i > 132; i--)
    if (!memcmp(bytes + i, key, 6)) return bytes + i + 8;
  fail_msg("element %04x,%04x is not there", group, element);
  return NULL;
}

static void refused(ogv_status code, const char *word) {
  ogv_dicom *d = NULL;
  ogv_error err = {0};
  ogv_status s = ogv_dicom_open(path, &d, &err);
  if (s == OGV_OK) {
    ogv_image img;
    s = ogv_dicom_frame(d, 0, &img, &err);
    ogv_image_free(&img);
    ogv_dicom_close(d);
  }
  if (s != code || !strstr(err.what, word))
    fail_msg("status %s, message \"%s\" lacks \"%s\"", ogv_status_word(s), err.what, word);
}

static void us(unsigned group, unsigned element, unsigned v, ogv_status code, const char *word) {
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  uint8_t *p = find(group, element, "US");
  p[0] = (uint8_t)v;
  p[1] = (uint8_t)(v >> 8);
  store();
  refused(code, word);
}

static void test_bad_attributes(void **state) {
  (void)state;
  us(0x28, 0x10, 0, OGV_E_CORRUPT, "(0028,0010)");
  us(0x28, 0x11, 40000, OGV_E_CORRUPT, "(0028,0011)");
  us(0x28, 0x11, 30000, OGV_E_CORRUPT, "(7FE0,0010)"); /* more pixels than there are bytes */
  us(0x28, 0x02, 4, OGV_E_CORRUPT, "(0028,0002)");
  us(0x28, 0x100, 32, OGV_E_CORRUPT, "(0028,0100)");
  us(0x28, 0x101, 9, OGV_E_CORRUPT, "(0028,0101)");
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  memcpy(find(0x28, 0x04, "CS"), "HSV        ", 11);
  store();
  refused(OGV_E_UNSUPPORTED, "(0028,0004)");
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  memcpy(find(0x28, 0x04, "CS"), "PALETTE COLOR", 11); /* cut by its length: "PALETTE COL" */
  store();
  refused(OGV_E_UNSUPPORTED, "(0028,0004)");
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  memcpy(find(0x08, 0x60, "CS"), "CT", 2);
  store();
  refused(OGV_E_UNSUPPORTED, "(0008,0060)");
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  memcpy(find(0x08, 0x16, "UI"), "1.2.840.10008.5.1.4.1.1.2\0\0", 27); /* CT */
  store();
  refused(OGV_E_UNSUPPORTED, "(0008,0016)");
}

static void syntax_of(const char *uid, ogv_status code) {
  write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
  load();
  static const uint8_t key[] = {0x02, 0, 0x10, 0, 'U', 'I', 20, 0};
  uint8_t *at = memmem(bytes, n_bytes, key, sizeof key);
  assert_non_null(at);
  memset(at + 8, 0, 20);
  memcpy(at + 8, uid, strlen(uid));
  store();
  refused(code, "(0002,0010)");
}

static void test_transfer_syntaxes(void **state) {
  (void)state;
  syntax_of("1.2.3.4.5.6.7", OGV_E_UNSUPPORTED);
  syntax_of("1.2.840.10008.1.2.99", OGV_E_UNSUPPORTED);
  write_clip(1, 1, OGV_WRITE_JPEG_BASELINE, NULL, 0, NULL);
  load();
  /* The same object claiming to be MPEG-2: 1.2.840.10008.1.2.4.100 is as long as the padded JPEG UID. */
  static const char jpeg[] = "1.2.840.10008.1.2.4.50";
  uint8_t *at = memmem(bytes, n_bytes, jpeg, sizeof jpeg - 1);
  assert_non_null(at);
  memcpy(at - 2, (uint8_t[]){24, 0}, 2);
  memmove(at + 24, at + 22, n_bytes - (size_t)(at - bytes) - 24);
  memcpy(at, "1.2.840.10008.1.2.4.100\0", 24);
  store();
  refused(OGV_E_UNSUPPORTED, "video");
}

static void test_truncated(void **state) {
  (void)state;
  for (int k = 0; k < 2; k++) {
    ogv_region region = {
        .format = 1, .data_type = 1, .unit_x = 3, .unit_y = 3, .x1 = 119, .y1 = 89, .delta_x = 0.02, .delta_y = 0.02};
    write_clip(1, 3, k ? OGV_WRITE_JPEG_BASELINE : OGV_WRITE_EXPLICIT_LE, NULL, 20, &region);
    load();
    size_t whole = n_bytes;
    for (size_t n = 0; n < whole; n += n < 2000 ? 37 : whole / 23) {
      n_bytes = n;
      if (n == 0) {
        FILE *f = fopen(path, "w");
        assert_non_null(f);
        fclose(f);
      } else {
        store();
      }
      ogv_dicom *d = NULL;
      ogv_error err = {0};
      ogv_status s = ogv_dicom_open(path, &d, &err);
      if (s == OGV_OK) { /* cut between two frames: then the frames that are missing must be refused */
        ogv_image img;
        s = ogv_dicom_frame(d, 2, &img, &err);
        ogv_image_free(&img);
        ogv_dicom_close(d);
      }
      if (s == OGV_OK) fail_msg("a file cut at byte %zu of %zu was taken as whole", n, whole);
      assert_true(err.what[0]);
      n_bytes = whole;
    }
  }
}

/* A JPEG stream cut short decodes to a picture with an invented lower part in many programs. */
static void test_cut_jpeg(void **state) {
  (void)state;
  write_clip(3, 1, OGV_WRITE_JPEG_BASELINE, NULL, 0, NULL);
  load();
  size_t keep = n_bytes;
  for (size_t i = keep - 600; i < keep - 10; i++) bytes[i] = 0; /* zeros instead of the last rows */
  store();
  refused(OGV_E_CORRUPT, "(7FE0,0010)");
}

/* DCMTK calls itself for each level; 100000 of them would exhaust the stack. Explicit, implicit and big endian. */
static void test_nesting(void **state) {
  (void)state;
  static const uint8_t little[] = {0x40, 0,   0x30, 0xA7, 'S', 'Q',  0,   0,   255, 255,
                                   255,  255, 0xFE, 0xFF, 0,   0xE0, 255, 255, 255, 255};
  static const uint8_t implicit[] = {0x40, 0, 0x30, 0xA7, 255, 255, 255, 255, 0xFE, 0xFF, 0, 0xE0, 255, 255, 255, 255};
  static const uint8_t big[] = {0,   0x40, 0xA7, 0x30, 'S',  'Q', 0,   0,   255, 255,
                                255, 255,  0xFF, 0xFE, 0xE0, 0,   255, 255, 255, 255};
  const uint8_t *const forms[] = {little, implicit, big};
  const size_t sizes[] = {sizeof little, sizeof implicit, sizeof big};
  for (int k = 0; k < 3; k++) {
    write_clip(1, 1, k == 1 ? OGV_WRITE_IMPLICIT_LE : OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
    load();
    static const uint8_t first[] = {0x08, 0, 0x05, 0}; /* Specific Character Set opens the data set */
    uint8_t *at = memmem(bytes, n_bytes, first, sizeof first);
    assert_non_null(at);
    size_t start = (size_t)(at - bytes);
    if (k == 2) { /* claims to be big endian: 1.2.840.10008.1.2.2 is as long as 1.2.840.10008.1.2.1 */
      uint8_t *uid = memmem(bytes, n_bytes, "1.2.840.10008.1.2.1", 19);
      assert_non_null(uid);
      uid[18] = '2';
    }
    size_t n = start + 100000 * sizes[k];
    bytes = realloc(bytes, n);
    for (size_t i = 0; i < 100000; i++) memcpy(bytes + start + i * sizes[k], forms[k], sizes[k]);
    n_bytes = n;
    store();
    refused(OGV_E_CORRUPT, "nested");
  }
}

static void test_not_dicom(void **state) {
  (void)state;
  static const char *const texts[] = {"hello, this is no DICOM file, but long enough to look at for a while",
                                      "{\"a\":1}", "\x89PNG\r\n\x1a\n...."};
  for (size_t i = 0; i < 3; i++) {
    assert_int_equal(ogv_file_write(path, texts[i], strlen(texts[i]), NULL), OGV_OK);
    refused(OGV_E_INVALID, "not a DICOM file");
  }
  ogv_dicom *d;
  ogv_error err;
  assert_int_equal(ogv_dicom_open("/no/such/file", &d, &err), OGV_E_NOT_FOUND);
  assert_int_equal(ogv_dicom_open(folder, &d, &err), OGV_E_INVALID);
  assert_null(d);
  ogv_dicom_close(NULL);
}

/* --- names and letters ---------------------------------------------------------------------------------------- */

static void name_is(const char *pn, const char *want) {
  char buf[256];
  ogv_dicom_name_text(pn, buf, sizeof buf);
  assert_string_equal(buf, want);
}

static void test_names(void **state) {
  (void)state;
  name_is("DOE^JANE^^DR", "Dr Jane Doe");
  name_is("Adams^John Robert Quincy^^Rev.^B.A. M.Div.",
          "Rev. John Robert Quincy Adams B.A. M.Div."); /* PS3.5 6.2.1.1 */
  name_is("Morrison-Jones^Susan^^^Ph.D., Chief Executive Officer",
          "Susan Morrison-Jones Ph.D., Chief Executive Officer");
  name_is("O'NEIL-SMITH^ANNE", "Anne O'Neil-Smith");
  name_is("MÜLLER^ÅSA", "Åsa Müller");
  name_is("McDonald^Ann", "Ann McDonald");
  name_is("Yamada^Tarou=山田^太郎=やまだ^たろう", "Tarou Yamada (山田 太郎, やまだ たろう)"); /* PS3.5 annex H */
  name_is("=洪^吉洞", "洪 吉洞");
  name_is("", "");
  name_is("^^^^", "");
  char tiny[6];
  ogv_dicom_name_text("山田^太郎", tiny, sizeof tiny);
  assert_true(strlen(tiny) < 6 && (tiny[0] == 0 || strlen(tiny) % 3 == 0 || strlen(tiny) == 4));
}

/* The examples of DICOM PS3.5 annexes H, I and J, as bytes: what a reader must make of them is printed there. */
static void test_character_sets(void **state) {
  (void)state;
  static const struct {
    const char *set, *bytes, *utf8;
  } all[] = {
      {"ISO_IR 100", "Buc^J\xE9r\xF4me", "Buc^Jérôme"},
      {"ISO_IR 101", "Wa\xB3\xEAsa", "Wałęsa"},
      {"ISO_IR 144",
       "\xBB\xEE\xDA"
       "ce\xDC\xD1"
       "yp\xD3",
       "Люкceмбypг"},
      {"ISO_IR 126", "\xC4\xE9\xEF\xED\xF5\xF3\xE9\xEF\xF2", "Διονυσιος"},
      {"ISO_IR 127", "\xE2\xC8\xC7\xE6\xEA^\xE4\xE6\xD2\xC7\xD1", "قباني^لنزار"},
      {"ISO_IR 138", "\xF9\xF8\xE5\xEF^\xE3\xE1\xE5\xF8\xE4", "שרון^דבורה"},
      {"ISO_IR 192", "Wang^XiaoDong=\xE7\x8E\x8B^\xE5\xB0\x8F\xE6\x9D\xB1", "Wang^XiaoDong=王^小東"},
      {"GB18030", "Wang^XiaoDong=\xCD\xF5^\xD0\xA1\xB6\xAB", "Wang^XiaoDong=王^小东"},
      {"ISO_IR 13\\ISO 2022 IR 87",
       "\xD4\xCF\xC0\xDE^\xC0\xDB\xB3=\x1B$B;3ED\x1B(J^\x1B$BB@O:\x1B(J=\x1B$B$d$^$@\x1B(J^\x1B$B$?$m$&\x1B(J",
       "ﾔﾏﾀﾞ^ﾀﾛｳ=山田^太郎=やまだ^たろう"},
      {"ISO 2022 IR 13\\ISO 2022 IR 87",
       "\xD4\xCF\xC0\xDE^\xC0\xDB\xB3=\x1B$B;3ED\x1B(J^\x1B$BB@O:\x1B(J=\x1B$B$d$^$@\x1B(J^\x1B$B$?$m$&\x1B(J",
       "ﾔﾏﾀﾞ^ﾀﾛｳ=山田^太郎=やまだ^たろう"},
      {"\\ISO 2022 IR 87", "Yamada^Tarou=\x1B$B;3ED\x1B(B^\x1B$BB@O:\x1B(B=\x1B$B$d$^$@\x1B(B^\x1B$B$?$m$&\x1B(B",
       "Yamada^Tarou=山田^太郎=やまだ^たろう"},
      {"\\ISO 2022 IR 149",
       "Hong^Gildong=\x1B$)C\xFB\xF3^\x1B$)C\xD1\xCE\xD4\xD7=\x1B$)C\xC8\xAB^\x1B$)C\xB1\xE6\xB5\xBF",
       "Hong^Gildong=洪^吉洞=홍^길동"},
      {"iso_ir 100 ", "M\xFCller", "Müller"}, /* written carelessly */
      {"ISO-IR 100", "M\xFCller", "Müller"},  /* met in a real file */
      {"", "M\xC3\xBCller", "Müller"},        /* none stated, well-formed UTF-8 */
      {"", "M\xFCller", "M\xEF\xBF\xBDller"}, /* none stated: a letter is not guessed */
      {"ISO_IR 999", "M\xFCller", "M\xEF\xBF\xBDller"},
      {"ISO_IR 192", "M\xFCller", "M\xEF\xBF\xBDller"},
  };
  for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
    write_clip(1, 1, OGV_WRITE_EXPLICIT_LE, NULL, 0, NULL);
    load();
    /* Replace the two values, lengths included. */
    uint8_t *out = calloc(n_bytes + 400, 1);
    size_t n = 0, at = 0;
    static const uint8_t set_key[] = {0x08, 0, 0x05, 0, 'C', 'S'}, name_key[] = {0x10, 0, 0x10, 0, 'P', 'N'};
    while (at < n_bytes) {
      const char *with = NULL;
      if (at + 8 <= n_bytes && !memcmp(bytes + at, set_key, 6)) with = all[i].set;
      if (at + 8 <= n_bytes && !memcmp(bytes + at, name_key, 6)) with = all[i].bytes;
      if (!with) {
        out[n++] = bytes[at++];
        continue;
      }
      size_t old = bytes[at + 6] | (size_t)bytes[at + 7] << 8, len = strlen(with), even = len + (len & 1);
      memcpy(out + n, bytes + at, 6);
      out[n + 6] = (uint8_t)even;
      out[n + 7] = (uint8_t)(even >> 8);
      memset(out + n + 8, ' ', even);
      memcpy(out + n + 8, with, len);
      n += 8 + even;
      at += 8 + old;
    }
    free(bytes);
    bytes = out;
    n_bytes = n;
    store();
    ogv_dicom *d = must_open();
    if (strcmp(ogv_dicom_about(d)->patient_name, all[i].utf8) != 0)
      fail_msg("%s: \"%s\" is not \"%s\"", all[i].set, ogv_dicom_about(d)->patient_name, all[i].utf8);
    assert_int_equal(strstr(all[i].utf8, "\xEF\xBF\xBD") != NULL, ogv_dicom_about(d)->note[0] != 0);
    ogv_dicom_close(d);
  }
}

/* --- reports ------------------------------------------------------------------------------------------------- */

static const ogv_report_item *item(const ogv_report_item *list, size_t n, const char *code, int nth) {
  for (size_t i = 0; i < n; i++)
    if (!strcmp(list[i].code, code) && nth-- == 0) return &list[i];
  fail_msg("no item %s", code);
  return NULL;
}

static void test_report(void **state) {
  (void)state;
  const char *cls = "1.2.840.10008.5.1.4.1.1.6.1";
  ogv_dicom_measure measures[] = {
      {.quantity = "hc",
       .value = 175.25,
       .unit = "mm",
       .fetus = "A",
       .image_instance = "2.25.21",
       .image_class = cls,
       .image_series = "2.25.20",
       .image_frame = 3,
       .graphic = OGV_GEOMETRY_ELLIPSE,
       .points = {10, 20, 30, 20, 20, 5.5, 20, 37}},
      {.quantity = "hc", .value = 176, .unit = "mm", .fetus = "A", .derivation = "mean"},
      {.quantity = "bpd", .value = 4.71, .unit = "cm", .fetus = "B"},
      {.quantity = "uta-pi-left", .value = 1.1, .unit = "1"},
      {.quantity = "mca-psv", .value = 27.5, .unit = "cm/s", .fetus = "A"},
  };
  ogv_dicom_obreport r = {.fetuses = 2, .items = measures, .n_items = 5, .lmp = 20300, .edd = 20580};
  identity(&r.about);
  ogv_error err = {0};
  if (ogv_dicom_write_obreport(path, &r, &err) != OGV_OK) fail_msg("%s", err.what);
  ogv_dicom *d = must_open();
  ogv_report_item *list;
  size_t n;
  if (ogv_dicom_report_items(d, &list, &n, &err) != OGV_OK) fail_msg("%s", err.what);
  const ogv_report_item *lmp = item(list, n, "8665-2", 0), *hc = item(list, n, "11984-2", 0),
                        *mean = item(list, n, "11984-2", 1), *bpd = item(list, n, "11820-8", 0),
                        *pi = item(list, n, "12008-9", 0), *psv = item(list, n, "11726-7", 0);
  assert_int_equal(lmp->kind, OGV_ITEM_DATE);
  assert_int_equal(lmp->date, 20300);
  assert_true(hc->has_value && hc->value == 175.25);
  assert_string_equal(hc->unit, "mm");
  assert_string_equal(hc->fetus, "A");
  assert_string_equal(hc->container, "Biometry Group");
  assert_string_equal(hc->section, "Fetal Biometry");
  assert_string_equal(hc->group, mean->group);
  assert_true(strncmp(hc->path, hc->group, strlen(hc->group)) == 0);
  assert_string_equal(hc->image_instance, "2.25.21");
  assert_int_equal(hc->image_frame, 3);
  assert_int_equal(hc->graphic, OGV_GEOMETRY_ELLIPSE);
  assert_int_equal(hc->n_points, 4);
  /* the longer axis (31.5 pixels, upright) is written first; the half pixel is taken back */
  assert_true(hc->points[0] == 20 && hc->points[1] == 5.5 && hc->points[5] == 20 && hc->points[4] == 10);
  assert_string_equal(mean->derivation, "373098007");
  assert_string_equal(bpd->fetus, "B");
  assert_true(bpd->value == 4.71);
  assert_string_equal(bpd->unit, "cm");
  assert_string_equal(pi->vessel, "Uterine Artery");
  assert_string_equal(pi->laterality, "Left");
  assert_non_null(
      ogv_quantity_by_vessel(ogv_vessel_by_code(pi->site, pi->site_scheme)->id, "left", pi->code, pi->scheme));
  assert_string_equal(psv->vessel, "Middle Cerebral Artery");
  assert_string_equal(psv->fetus, "A");
  free(list);
  ogv_image img;
  assert_int_equal(ogv_dicom_frame(d, 0, &img, &err), OGV_E_INVALID);
  ogv_dicom_close(d);
  free(bytes);
  bytes = NULL;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_round_trip),        cmocka_unit_test(test_times),     cmocka_unit_test(test_bad_attributes),
      cmocka_unit_test(test_transfer_syntaxes), cmocka_unit_test(test_truncated), cmocka_unit_test(test_cut_jpeg),
      cmocka_unit_test(test_nesting),           cmocka_unit_test(test_not_dicom), cmocka_unit_test(test_names),
      cmocka_unit_test(test_character_sets),    cmocka_unit_test(test_report)};
  return cmocka_run_group_tests(tests, group_setup, group_teardown);
}
