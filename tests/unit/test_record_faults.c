/* Faults on purpose: the n-th system call fails, for every n until the work succeeds; the disk is full; the process is
 * killed; two write at once. After each, what was acknowledged is there, whole, and nothing half written is.
 * The method is that of SQLite's own fault tests (exemplars): loop over n, check the data each time. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "../../src/record/private/record_disk.h"
#include "core_file.h"
#include "core_json.h"
#include "record_store.h"

static char home[256];

/* A file system in memory where there is one: thousands of syncs that need no real disk. */
static void make_home(void) {
  ogv_error err = {0};
  snprintf(home, sizeof home, "%s/ogive-faults-XXXXXX", access("/dev/shm", W_OK) ? "/tmp" : "/dev/shm");
  assert_non_null(mkdtemp(home));
  assert_int_equal(ogv_store_init(home, &err), OGV_OK);
}

static void remove_home(void) {
  char cmd[300];
  snprintf(cmd, sizeof cmd, "rm -rf '%s'", home);
  assert_int_equal(system(cmd), 0);
}

static ogv_store *open_home(void) {
  ogv_error err = {0};
  ogv_store *s = NULL;
  if (ogv_store_open(home, &s, &err) != OGV_OK) print_message("%s\n", err.what);
  assert_non_null(s);
  return s;
}

static ogv_status add(ogv_store *s, int number, char object[20], char exam[20], bool *added, ogv_error *err) {
  char instance[40], bytes[5000];
  snprintf(instance, sizeof instance, "1.2.3.%d", number);
  memset(bytes, 'a' + number % 26, sizeof bytes);
  snprintf(bytes, sizeof bytes, "object %d", number);
  json_t *about = json_pack("{s:s,s:s,s:s,s:s,s:s}", "patient_id", "P", "study", "1.2.3", "study_date", "2026-03-01",
                            "instance", instance, "kind", "image");
  ogv_status st = ogv_store_add_object(s, bytes, sizeof bytes, about, object, exam, added, err);
  json_decref(about);
  return st;
}

static ogv_status measure(ogv_store *s, const char *exam, const char *key, double value, char id[20], ogv_error *err) {
  json_t *row = json_pack("{s:s,s:s,s:f,s:s,s:s,s:s*}", "exam", exam, "quantity", "hc", "value", value, "unit", "mm",
                          "source", "typed", "key", key);
  ogv_status st = ogv_store_measure(s, row, "ada", id, err);
  json_decref(row);
  return st;
}

/* The data base is sound, and every object it names has its bytes under their hash. Returns the number of objects. */
static int check_whole(void) {
  ogv_store *s = open_home();
  ogv_error err = {0};
  json_t *exams, *e;
  int count = 0;
  assert_int_equal(ogv_store_exams(s, NULL, &exams, &err), OGV_OK);
  for (size_t i = 0; i < json_array_size(exams); i++) {
    assert_int_equal(ogv_store_exam(s, json_string_value(json_object_get(json_array_get(exams, i), "id")), &e, &err),
                     OGV_OK);
    json_t *o;
    size_t k;
    json_array_foreach(json_object_get(e, "objects"), k, o) {
      char *path, sha[OGV_SHA256_TEXT];
      uint8_t *data;
      size_t n;
      assert_int_equal(ogv_store_object_path(s, json_string_value(json_object_get(o, "id")), &path, &err), OGV_OK);
      assert_int_equal(ogv_file_read(path, 1 << 20, &data, &n, &err), OGV_OK);
      ogv_sha256(data, n, sha);
      assert_string_equal(sha, json_string_value(json_object_get(o, "sha256")));
      free(data);
      free(path);
      count++;
    }
    json_decref(e);
  }
  json_decref(exams);
  ogv_store_close(s);
  char path[300];
  sqlite3 *db;
  sqlite3_stmt *st;
  snprintf(path, sizeof path, "%s/ogive.db", home);
  assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
  assert_int_equal(sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &st, NULL), SQLITE_OK);
  assert_int_equal(sqlite3_step(st), SQLITE_ROW);
  assert_string_equal((const char *)sqlite3_column_text(st, 0), "ok");
  sqlite3_finalize(st);
  sqlite3_close(db);
  return count;
}

/* --- object store: the n-th call fails --------------------------------------------------------------------------- */
static int calls, fail_at, fail_errno;
static int hit(void) {
  if (++calls != fail_at) return 0;
  errno = fail_errno;
  return 1;
}
static int f_open(const char *p, int flags, mode_t m) { return hit() ? -1 : open(p, flags, m); }
static ssize_t f_write(int fd, const void *p, size_t n) {
  if (hit()) return -1;
  return write(fd, p, n > 1500 ? 1500 : n); /* short writes too */
}
static int f_fsync(int fd) { return hit() ? -1 : fsync(fd); }
static int f_close(int fd) {
  int r = close(fd);
  return hit() ? -1 : r;
}
static int f_rename(const char *a, const char *b) { return hit() ? -1 : rename(a, b); }
static const ogv_disk_calls faulty = {f_open, f_write, f_fsync, f_close, f_rename};

static void test_nth_disk_call(void **state) {
  (void)state;
  make_home();
  static const int kinds[] = {ENOSPC, EIO, EROFS};
  int refused = 0, number = 0;
  for (size_t k = 0; k < 3; k++) {
    bool succeeded = false;
    for (fail_at = 1; !succeeded && fail_at < 60; fail_at++) {
      ogv_store *s = open_home();
      ogv_error err = {0};
      char object[20], exam[20];
      bool added;
      calls = 0;
      fail_errno = kinds[k];
      ogv_disk_use(&faulty);
      ogv_status st = add(s, number, object, exam, &added, &err);
      bool reached = calls >= fail_at;
      ogv_disk_use(NULL);
      if (st != OGV_OK) {
        refused++;
        assert_true(st == (kinds[k] == EROFS ? OGV_E_DENIED : OGV_E_IO));
        assert_true(*err.what && *err.todo);
        json_t *o;
        char instance[40];
        snprintf(instance, sizeof instance, "1.2.3.%d", number);
        assert_int_equal(ogv_store_object(s, instance, &o, &err), OGV_E_NOT_FOUND); /* refused means not recorded */
        assert_int_equal(add(s, number, object, exam, &added, &err), OGV_OK);       /* and it may be tried again */
        assert_true(added);
      } else {
        assert_true(added);
        assert_false(reached); /* no failure is passed over */
        succeeded = true;
      }
      number++;
      ogv_store_close(s);
      if (succeeded) break;
    }
    assert_true(succeeded);
  }
  assert_true(refused >= 24); /* open, four writes, fsync, close, rename and the folder's calls, three kinds */
  assert_int_equal(check_whole(), number);
  remove_home();
}

/* --- data base: the n-th write or sync fails -----------------------------------------------------------------------
 */
typedef struct shim_file {
  sqlite3_file base;
  sqlite3_file *real;
} shim_file;
static sqlite3_vfs shim, *real_vfs;
static int db_calls, db_fail_at, db_fail_code;
static bool db_keeps_failing;

static int db_hit(void) {
  db_calls++;
  return db_fail_at && (db_calls == db_fail_at || (db_keeps_failing && db_calls > db_fail_at));
}
#define REAL(f) (((shim_file *)(f))->real)
static int s_close(sqlite3_file *f) {
  int rc = REAL(f)->pMethods->xClose(REAL(f));
  sqlite3_free(REAL(f));
  return rc;
}
static int s_read(sqlite3_file *f, void *p, int n, sqlite3_int64 o) {
  return REAL(f)->pMethods->xRead(REAL(f), p, n, o);
}
static int s_write(sqlite3_file *f, const void *p, int n, sqlite3_int64 o) {
  return db_hit() ? db_fail_code : REAL(f)->pMethods->xWrite(REAL(f), p, n, o);
}
static int s_truncate(sqlite3_file *f, sqlite3_int64 n) {
  return db_hit() ? SQLITE_IOERR_TRUNCATE : REAL(f)->pMethods->xTruncate(REAL(f), n);
}
static int s_sync(sqlite3_file *f, int k) {
  return db_hit() ? SQLITE_IOERR_FSYNC : REAL(f)->pMethods->xSync(REAL(f), k);
}
static int s_size(sqlite3_file *f, sqlite3_int64 *n) { return REAL(f)->pMethods->xFileSize(REAL(f), n); }
static int s_lock(sqlite3_file *f, int k) { return REAL(f)->pMethods->xLock(REAL(f), k); }
static int s_unlock(sqlite3_file *f, int k) { return REAL(f)->pMethods->xUnlock(REAL(f), k); }
static int s_reserved(sqlite3_file *f, int *r) { return REAL(f)->pMethods->xCheckReservedLock(REAL(f), r); }
static int s_control(sqlite3_file *f, int op, void *a) { return REAL(f)->pMethods->xFileControl(REAL(f), op, a); }
static int s_sector(sqlite3_file *f) { return REAL(f)->pMethods->xSectorSize(REAL(f)); }
static int s_device(sqlite3_file *f) { return REAL(f)->pMethods->xDeviceCharacteristics(REAL(f)); }
static int s_shmmap(sqlite3_file *f, int p, int n, int e, void volatile **v) {
  return REAL(f)->pMethods->xShmMap(REAL(f), p, n, e, v);
}
static int s_shmlock(sqlite3_file *f, int o, int n, int k) { return REAL(f)->pMethods->xShmLock(REAL(f), o, n, k); }
static void s_shmbarrier(sqlite3_file *f) { REAL(f)->pMethods->xShmBarrier(REAL(f)); }
static int s_shmunmap(sqlite3_file *f, int d) { return REAL(f)->pMethods->xShmUnmap(REAL(f), d); }
static const sqlite3_io_methods shim_io = {2,        s_close,  s_read,    s_write,      s_truncate, s_sync,
                                           s_size,   s_lock,   s_unlock,  s_reserved,   s_control,  s_sector,
                                           s_device, s_shmmap, s_shmlock, s_shmbarrier, s_shmunmap};
static int s_open(sqlite3_vfs *v, const char *name, sqlite3_file *f, int flags, int *out) {
  (void)v;
  shim_file *s = (shim_file *)f;
  s->real = sqlite3_malloc(real_vfs->szOsFile);
  if (!s->real) return SQLITE_NOMEM;
  memset(s->real, 0, (size_t)real_vfs->szOsFile);
  int rc = real_vfs->xOpen(real_vfs, name, s->real, flags, out);
  f->pMethods = rc == SQLITE_OK ? &shim_io : NULL;
  if (rc != SQLITE_OK) sqlite3_free(s->real);
  return rc;
}

static void install_shim(void) {
  if (real_vfs) return;
  real_vfs = sqlite3_vfs_find(NULL);
  shim = *real_vfs;
  shim.zName = "faulty";
  shim.szOsFile = sizeof(shim_file);
  shim.xOpen = s_open;
  shim.pNext = NULL;
  sqlite3_vfs_register(&shim, 1);
}

/* What the work acknowledged, to be found again afterwards. */
typedef struct acknowledged {
  char object[20], measurement[20], event[20];
} acknowledged;

static ogv_status work(int number, acknowledged *a, ogv_error *err) {
  ogv_store *s;
  char exam[20], object[20], id[20], key[20];
  bool added;
  memset(a, 0, sizeof *a);
  OGV_TRY(ogv_store_open(home, &s, err));
  ogv_status st = add(s, number, object, exam, &added, err);
  if (st == OGV_OK) memcpy(a->object, object, 20);
  snprintf(key, sizeof key, "k%d", number);
  if (st == OGV_OK) st = measure(s, exam, key, 150 + number, id, err);
  if (st == OGV_OK) memcpy(a->measurement, id, 20);
  if (st == OGV_OK) st = ogv_store_measure_event(s, id, "disputed", "test", "bea", 0, err);
  if (st == OGV_OK) memcpy(a->event, id, 20);
  ogv_store_close(s);
  return st;
}

static void check_acknowledged(int number, const acknowledged *a) {
  ogv_store *s = open_home();
  ogv_error err = {0};
  json_t *v;
  if (*a->object) {
    assert_int_equal(ogv_store_object(s, a->object, &v, &err), OGV_OK);
    json_decref(v);
  }
  if (*a->measurement) {
    assert_int_equal(ogv_store_measurement(s, a->measurement, &v, &err), OGV_OK);
    assert_true(json_real_value(json_object_get(v, "value")) == 150 + number);
    if (*a->event) assert_string_equal(json_string_value(json_object_get(v, "state")), "disputed");
    json_decref(v);
  }
  ogv_store_close(s);
}

static void nth_database_call(int code, bool keeps) {
  make_home();
  install_shim();
  int failures = 0, number = 0;
  db_fail_code = code;
  db_keeps_failing = keeps;
  for (int n = 1; n < 400; n++) {
    acknowledged a;
    ogv_error err = {0};
    db_calls = 0;
    db_fail_at = n;
    ogv_status st = work(number, &a, &err);
    bool reached = db_calls >= n;
    db_fail_at = 0;
    if (st != OGV_OK) {
      failures++;
      assert_true(st == OGV_E_IO || st == OGV_E_DENIED);
      assert_true(*err.what);
    }
    check_acknowledged(number, &a);
    acknowledged again;
    assert_int_equal(work(number + 1000, &again, &err), OGV_OK); /* the record goes on */
    check_acknowledged(number + 1000, &again);
    number++;
    if (st == OGV_OK && !reached) break;
    assert_true(n < 399);
  }
  print_message("%d failures over %d places\n", failures, number);
  assert_true(failures > 5);
  assert_true(check_whole() >= number);
  remove_home();
}

static void test_nth_database_write(void **state) {
  (void)state;
  nth_database_call(SQLITE_IOERR_WRITE, false);
}
static void test_database_disk_stays_full(void **state) {
  (void)state;
  nth_database_call(SQLITE_FULL, true);
}

/* --- a really full disk, a limit on file size, a folder that may not be written --------------------------------------
 */
/* Runs fn in a child; its return value is the exit status. 77: not possible here. */
static int in_child(int (*fn)(void)) {
  fflush(NULL);
  pid_t p = fork();
  assert_true(p >= 0);
  if (p == 0) _exit(fn());
  int status = 0;
  assert_int_equal(waitpid(p, &status, 0), p);
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

static int fill_until_refused(void) {
  ogv_error err = {0};
  if (ogv_store_init(home, &err) != OGV_OK) return 10;
  ogv_store *s;
  if (ogv_store_open(home, &s, &err) != OGV_OK) return 11;
  int stored = 0;
  ogv_status st = OGV_OK;
  for (; stored < 5000 && st == OGV_OK; stored += st == OGV_OK) {
    char object[20], exam[20];
    bool added;
    st = add(s, stored, object, exam, &added, &err);
  }
  ogv_store_close(s);
  if (st != OGV_E_IO || !*err.todo) return 12;
  if (stored < 1) return 13;
  /* All that was acknowledged can be read on the full disk. */
  if (ogv_store_open(home, &s, &err) != OGV_OK) return 14;
  int found = 0;
  for (int i = 0; i < stored; i++) {
    char instance[40], *path;
    snprintf(instance, sizeof instance, "1.2.3.%d", i);
    json_t *o;
    if (ogv_store_object(s, instance, &o, &err) != OGV_OK) return 15;
    if (ogv_store_object_path(s, json_string_value(json_object_get(o, "id")), &path, &err) != OGV_OK) return 16;
    free(path);
    json_decref(o);
    found++;
  }
  ogv_store_close(s);
  return found == stored ? 0 : 17;
}

static int full_disk(void) {
  if (unshare(CLONE_NEWNS) || mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL)) return 77;
  if (mount("tmpfs", home, "tmpfs", 0, "size=2m,mode=700")) return 77;
  return fill_until_refused();
}

static int small_files(void) {
  struct rlimit r = {300 * 1024, 300 * 1024};
  signal(SIGXFSZ, SIG_IGN);
  if (setrlimit(RLIMIT_FSIZE, &r)) return 77;
  return fill_until_refused();
}

static void test_full_disk(void **state) {
  (void)state;
  snprintf(home, sizeof home, "/tmp/ogive-full-XXXXXX");
  assert_non_null(mkdtemp(home));
  int code = in_child(full_disk);
  if (code == 77) print_message("no right to mount a small file system here: only the limit on file size is tried\n");
  else assert_int_equal(code, 0);
  assert_int_equal(in_child(small_files), 0);
  remove_home();
}

static int as_nobody(void) {
  ogv_error err = {0};
  ogv_store *s;
  if (geteuid() == 0 && (setegid(65534) || seteuid(65534))) return 77;
  ogv_status st = ogv_store_open(home, &s, &err);
  if (st != OGV_E_DENIED) return 10;
  return strstr(err.what, "read-only") || strstr(err.what, "cannot") ? 0 : 11;
}

static void test_read_only(void **state) {
  (void)state;
  make_home();
  char path[300];
  snprintf(path, sizeof path, "%s/ogive.db", home);
  assert_int_equal(chmod(path, 0444), 0);
  assert_int_equal(chmod(home, 0555), 0);
  int code = in_child(as_nobody);
  assert_int_equal(chmod(home, 0755), 0);
  assert_true(code == 0 || code == 77);
  /* The folder may be written, the data base may not. */
  if (geteuid() == 0) {
    assert_int_equal(chmod(home, 0777), 0);
    code = in_child(as_nobody);
    assert_true(code == 0 || code == 77);
  }
  remove_home();
}

/* --- killed in the middle
 * ------------------------------------------------------------------------------------------------ */
static void test_killed(void **state) {
  (void)state;
  make_home();
  int expected = 0;
  for (int round = 0; round < 6; round++) {
    int pipe_fd[2];
    assert_int_equal(pipe(pipe_fd), 0);
    fflush(NULL);
    pid_t p = fork();
    assert_true(p >= 0);
    if (p == 0) {
      ogv_error err = {0};
      ogv_store *s;
      if (ogv_store_open(home, &s, &err) != OGV_OK) _exit(1);
      for (int i = 0;; i++) {
        char object[20], exam[20];
        bool added;
        if (add(s, round * 100000 + i, object, exam, &added, &err) != OGV_OK) _exit(2);
        if (write(pipe_fd[1], object, 20) != 20) _exit(3); /* acknowledged */
      }
    }
    close(pipe_fd[1]);
    char id[20], last[20] = "";
    int got = 0;
    while (got < 3 + round * 2 && read(pipe_fd[0], id, 20) == 20) got++, memcpy(last, id, 20);
    kill(p, SIGKILL);
    waitpid(p, NULL, 0);
    while (read(pipe_fd[0], id, 20) == 20) got++, memcpy(last, id, 20);
    close(pipe_fd[0]);
    assert_true(got >= 3);
    expected += got;
    ogv_store *s = open_home();
    ogv_error err = {0};
    json_t *o;
    assert_int_equal(ogv_store_object(s, last, &o, &err), OGV_OK);
    json_decref(o);
    ogv_store_close(s);
  }
  int found = check_whole();
  assert_true(found >= expected && found <= expected + 6); /* at most one in each round was recorded and not yet said */
  remove_home();
}

/* --- at once
 * ------------------------------------------------------------------------------------------------------------- */
enum { WRITERS = 4, EACH = 25 };
static char shared_exam[20], shared_row[20];
static int wins;
static pthread_mutex_t wins_lock = PTHREAD_MUTEX_INITIALIZER;

static void *writer(void *arg) {
  (void)arg;
  ogv_error err = {0};
  ogv_store *s;
  if (ogv_store_open(home, &s, &err) != OGV_OK) return (void *)"open";
  for (int i = 0; i < EACH; i++) {
    char id[20];
    if (measure(s, shared_exam, NULL, 150, id, &err) != OGV_OK) {
      ogv_store_close(s);
      return (void *)"measure";
    }
  }
  char id[20];
  json_t *row = json_pack("{s:s,s:s,s:f,s:s,s:s,s:s,s:s}", "exam", shared_exam, "quantity", "hc", "value", 160.0,
                          "unit", "mm", "source", "typed", "supersedes", shared_row, "why", "race");
  ogv_status st = ogv_store_measure(s, row, "ada", id, &err);
  json_decref(row);
  ogv_store_close(s);
  if (st != OGV_OK && st != OGV_E_CONFLICT) return (void *)"supersede";
  pthread_mutex_lock(&wins_lock);
  wins += st == OGV_OK;
  pthread_mutex_unlock(&wins_lock);
  return NULL;
}

static int write_as_process(void) { return writer(NULL) ? 1 : wins ? 3 : 0; }

static void test_at_once(void **state) {
  (void)state;
  make_home();
  ogv_store *s = open_home();
  ogv_error err = {0};
  char object[20];
  bool added;
  assert_int_equal(add(s, 1, object, shared_exam, &added, &err), OGV_OK);
  assert_int_equal(measure(s, shared_exam, NULL, 155, shared_row, &err), OGV_OK);
  fflush(NULL);
  pid_t child[2]; /* processes first: no thread of ours may be running at a fork */
  for (int i = 0; i < 2; i++)
    if ((child[i] = fork()) == 0) _exit(write_as_process());
  pthread_t t[WRITERS];
  for (int i = 0; i < WRITERS; i++) assert_int_equal(pthread_create(&t[i], NULL, writer, NULL), 0);
  for (int i = 0; i < WRITERS; i++) {
    void *trouble;
    pthread_join(t[i], &trouble);
    if (trouble) print_message("%s failed\n", (char *)trouble);
    assert_null(trouble);
  }
  int total = wins;
  for (int i = 0; i < 2; i++) {
    int status;
    waitpid(child[i], &status, 0);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) != 1);
    total += WEXITSTATUS(status) == 3;
  }
  assert_int_equal(total, 1); /* one correction wins, the others are told */
  json_t *e, *r;
  size_t i;
  json_int_t last = 0;
  assert_int_equal(ogv_store_exam(s, shared_exam, &e, &err), OGV_OK);
  assert_int_equal(json_array_size(json_object_get(e, "ledger")), 1 + (WRITERS + 2) * EACH + 1);
  json_array_foreach(json_object_get(e, "ledger"), i, r) { /* one order for all */
    json_int_t seq = json_integer_value(json_object_get(r, "seq"));
    assert_true(seq > last);
    last = seq;
  }
  json_decref(e);
  ogv_store_close(s);
  check_whole();
  remove_home();
}

/* --- left behind by a crash
 * ------------------------------------------------------------------------------------------- */
static bool nothing_known(void *user, const char *sha) {
  (void)user;
  (void)sha;
  return false;
}

static void test_left_behind(void **state) {
  (void)state;
  make_home();
  ogv_error err = {0};
  char path[400], sha[OGV_SHA256_TEXT], object[20], exam[20];
  int removed = 0;
  bool added;
  snprintf(path, sizeof path, "%s/objects/incoming/half", home);
  assert_int_equal(ogv_file_write(path, "half", 4, &err), OGV_OK);
  assert_int_equal(ogv_disk_put(home, "orphan", 6, sha, &err), OGV_OK); /* renamed, then the crash, never recorded */
  assert_int_equal(ogv_disk_tidy(home, nothing_known, NULL, 3600, &removed, &err), OGV_OK);
  assert_int_equal(removed, 0); /* both are young: somebody may be about to record them */
  struct timespec old[2] = {{1000000000, 0}, {1000000000, 0}};
  assert_int_equal(utimensat(AT_FDCWD, path, old, 0), 0);
  ogv_store *s = open_home();
  json_t *about =
      json_pack("{s:s,s:s,s:s,s:s}", "patient_id", "P", "study", "1.2.3", "instance", "1.9", "kind", "image");
  assert_int_equal(ogv_store_add_object(s, "orphan", 6, about, object, exam, &added, &err), OGV_OK); /* used again */
  json_decref(about);
  assert_int_equal(ogv_disk_put(home, "never", 5, sha, &err), OGV_OK);
  assert_int_equal(ogv_disk_path(home, sha, path, sizeof path, &err), OGV_OK);
  assert_int_equal(utimensat(AT_FDCWD, path, old, 0), 0);
  assert_int_equal(ogv_store_tidy(s, &removed, &err), OGV_OK);
  assert_int_equal(removed, 2);
  assert_false(ogv_file_exists(path));
  ogv_store_close(s);
  assert_int_equal(check_whole(), 1);
  remove_home();
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_at_once), /* first: it forks and makes threads before the shim is in place */
      cmocka_unit_test(test_nth_disk_call),
      cmocka_unit_test(test_full_disk),
      cmocka_unit_test(test_read_only),
      cmocka_unit_test(test_killed),
      cmocka_unit_test(test_left_behind),
      cmocka_unit_test(test_nth_database_write),
      cmocka_unit_test(test_database_disk_stays_full),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
