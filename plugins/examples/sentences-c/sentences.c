/* The dialect of plain sentences once more, in C: ../sentences-rust has the language. Both write the same bytes; the tests compare. */

#define _DEFAULT_SOURCE
#include "grainway.h"
#include "json.h"
#include <math.h>
#include <stdio.h>

#define NAME "plain-sentences-c"
#define PI 3.14159265358979323846
#define TAU (2.0 * PI)

/* Passes on any code but OK. */
#define TRY(call)                                   \
    do {                                            \
        int32_t try_code = (call);                  \
        if (try_code != GRAINWAY_CODE_OK) return try_code; \
    } while (0)

static const char DESCRIPTION[] =
    "{\"name\":\"sentences-c\",\"version\":\"0.1.0\","
    "\"summary\":\"Programs as plain sentences; an example of a native dialect in C.\","
    "\"requires\":[],\"uses\":[\"dialect-read\"],\"dialects\":[{"
    "\"name\":\"" NAME "\",\"version\":1,"
    "\"summary\":\"Programs as plain English sentences, one a line. The controller must know absolute positions, arcs and "
    "helices by centre, angle and end, drilling in pecks, a spindle and cutters that the program changes, and a machine that "
    "knows its own top. Rapid moves go straight.\","
    "\"ending\":\".txt\",\"arcs\":true,\"helices\":true,\"cycles\":true,\"cutter_change\":true,\"pauses\":true,"
    "\"spindle\":true,\"straight_rapids\":true,\"decimals_mm\":4,\"decimals_inch\":5,\"blocks_per_second\":200.0,"
    "\"line_length\":0,\"reads\":true,\"faults\":[\"after-end\",\"arc-angle\",\"bad-depth\",\"line-too-long\",\"no-unit\","
    "\"not-utf-8\",\"unknown-position\",\"unknown-sentence\"]}],\"stages\":[]}";

/* ---- the host's side */

static grainway_bytes bytes(const char *data, size_t len) {
    grainway_bytes b = {(const uint8_t *)data, len};
    return b;
}

static int32_t give(const grainway_host *host, uint32_t kind, const char *text) {
    return host->write(host->context, kind, bytes(text, strlen(text)));
}

/* Gives the reason, JSON, and its code. */
static int32_t stop(const grainway_host *host, int32_t code, const char *reason) {
    give(host, GRAINWAY_WRITE_REASON, reason);
    return code;
}

static int32_t refuse(const grainway_host *host, const char *reason) { return stop(host, GRAINWAY_CODE_REFUSED, reason); }

/* A host that is older than this plugin has a smaller table; there is none older than 1.0. */
static int usable(const grainway_host *host) { return host && host->size >= sizeof *host && host->write; }

/* ---- writing */

#define PIECE 65536
/* Room for the longest sentence without a text of the user's. */
#define SENTENCE 512

static const double LARGEST = 9999999999.0;
static const double MOST_TURNED = 9999999999999.0;
static const double LEAST_RADIUS = 0.002;

typedef struct {
    const grainway_host *host;
    char text[PIECE + SENTENCE];
    size_t len;
    uint64_t lines, moves;
    int restarts;
    double rounding;
    unsigned decimals, feed_decimals;
    double per_mm, per_feed, safe_z;
    /* Where the plan has the cutter, mm, and where the text has it, counts; each axis known or not. */
    double at[3];
    int at_known[3];
    int64_t told[3];
    int told_known[3];
    int top, turning, clockwise, begun, in_use;
    int64_t rpm;
} writer;

static int32_t flush(writer *w) {
    size_t len = w->len;
    w->len = 0;
    if (len == 0) return GRAINWAY_CODE_OK;
    return w->host->write(w->host->context, GRAINWAY_WRITE_TEXT, bytes(w->text, len));
}

/* Appends words of the language; a sentence always fits. */
static void say(writer *w, const char *words) {
    size_t n = strlen(words);
    memcpy(w->text + w->len, words, n);
    w->len += n;
}

static void say_whole(writer *w, uint64_t n, unsigned least) {
    char digits[24];
    unsigned k = 0;
    do {
        digits[k++] = (char)('0' + n % 10);
        n /= 10;
    } while (n || k < least);
    while (k) w->text[w->len++] = digits[--k];
}

static void say_decimal(writer *w, int64_t count, unsigned decimals) {
    uint64_t scale = 1, n = count < 0 ? (uint64_t)-count : (uint64_t)count;
    for (unsigned i = 0; i < decimals; i++) scale *= 10;
    if (count < 0) w->text[w->len++] = '-';
    say_whole(w, n / scale, 1);
    w->text[w->len++] = '.';
    say_whole(w, n % scale, decimals);
}

/* Appends a text of the user's on one line, less a full stop at its end. It may be of any length. */
static int32_t say_plain(writer *w, const char *text, size_t len) {
    if (len && text[len - 1] == '.') len--;
    for (size_t i = 0; i < len; i++) {
        unsigned char c = (unsigned char)text[i];
        if (w->len >= PIECE) TRY(flush(w));
        w->text[w->len++] = c < 0x20 || c == 0x7f ? ' ' : (char)c;
    }
    if (w->len >= PIECE) TRY(flush(w));
    return GRAINWAY_CODE_OK;
}

static int32_t end_line(writer *w) {
    w->text[w->len++] = '\n';
    w->lines++;
    return w->len >= PIECE ? flush(w) : GRAINWAY_CODE_OK;
}

static int count(double value, double per_unit, int64_t *out) {
    double scaled = round(value * per_unit);
    if (!(fabs(scaled) <= LARGEST)) return 0;
    *out = (int64_t)scaled;
    return 1;
}

static int32_t length(writer *w, double mm, int64_t *out) {
    if (count(mm, w->per_mm, out)) return GRAINWAY_CODE_OK;
    return refuse(w->host, "{\"message\":\"a length that is not finite or far too large\"}");
}

static int32_t feed_of(writer *w, double feed, int64_t *out) {
    if (count(feed, w->per_feed, out) && *out > 0) return GRAINWAY_CODE_OK;
    return refuse(w->host, "{\"message\":\"a feed that is no number over 0\"}");
}

static void note_rounding(writer *w, const double *mm, const int64_t *counts, int n) {
    double sum = 0.0;
    for (int i = 0; i < n; i++) {
        double d = mm[i] - (double)counts[i] / w->per_mm;
        sum += d * d;
    }
    double off = sqrt(sum);
    if (off > w->rounding) w->rounding = off;
}

static int32_t note(writer *w, const char *text, size_t len) {
    say(w, "note: ");
    TRY(say_plain(w, text, len));
    say(w, ".");
    return end_line(w);
}

static int32_t turn(writer *w, int on, int64_t rpm, int clockwise) {
    w->turning = on;
    w->rpm = rpm;
    w->clockwise = clockwise;
    if (!on) {
        say(w, "stop the spindle.");
        return end_line(w);
    }
    say(w, "turn the spindle ");
    say(w, clockwise ? "clockwise at " : "counter-clockwise at ");
    say_whole(w, (uint64_t)rpm, 1);
    say(w, " a minute.");
    return end_line(w);
}

static void forget(writer *w) {
    for (int i = 0; i < 3; i++) w->at_known[i] = w->told_known[i] = 0;
    w->top = 0;
}

static int32_t height(writer *w, double z) {
    int64_t c;
    TRY(length(w, z, &c));
    if (!w->told_known[2] || w->told[2] != c) {
        w->moves++;
        say(w, "go to height z ");
        say_decimal(w, c, w->decimals);
        say(w, ".");
        TRY(end_line(w));
    }
    note_rounding(w, &z, &c, 1);
    w->at[2] = z;
    w->told[2] = c;
    w->at_known[2] = w->told_known[2] = 1;
    w->top = 0;
    return GRAINWAY_CODE_OK;
}

static int32_t over(writer *w, double x, double y) {
    double mm[2] = {x, y};
    int64_t c[2];
    TRY(length(w, x, &c[0]));
    TRY(length(w, y, &c[1]));
    if (!w->told_known[0] || !w->told_known[1] || w->told[0] != c[0] || w->told[1] != c[1]) {
        w->moves++;
        say(w, "go over to x ");
        say_decimal(w, c[0], w->decimals);
        say(w, " y ");
        say_decimal(w, c[1], w->decimals);
        say(w, ".");
        TRY(end_line(w));
    }
    note_rounding(w, mm, c, 2);
    for (int i = 0; i < 2; i++) {
        w->at[i] = mm[i];
        w->told[i] = c[i];
        w->at_known[i] = w->told_known[i] = 1;
    }
    return GRAINWAY_CODE_OK;
}

static int32_t rise(writer *w) {
    w->moves++;
    say(w, "rise to the top.");
    return end_line(w);
}

/* Before the first move of a step everything is said anew, so that a run can be taken up there. */
static int32_t begin(writer *w) {
    if (!w->begun) return GRAINWAY_CODE_OK;
    w->begun = 0;
    w->told_known[0] = w->told_known[1] = 0;
    if (w->top) return rise(w);
    w->told_known[2] = 0;
    return height(w, w->at_known[2] && w->at[2] > w->safe_z ? w->at[2] : w->safe_z);
}

/* Up before sideways before down. */
static int32_t rapid(writer *w, const grainway_item *i) {
    TRY(begin(w));
    if (!w->top && (!w->at_known[2] || i->z > w->at[2])) TRY(height(w, i->z));
    TRY(over(w, i->x, i->y));
    return height(w, i->z);
}

static void stand(writer *w, const double *at, const int64_t *c) {
    note_rounding(w, at, c, 3);
    for (int i = 0; i < 3; i++) {
        w->at[i] = at[i];
        w->told[i] = c[i];
        w->at_known[i] = w->told_known[i] = 1;
    }
}

static int stands_at(const writer *w, const int64_t *c) {
    for (int i = 0; i < 3; i++)
        if (!w->told_known[i] || w->told[i] != c[i]) return 0;
    return 1;
}

static int32_t must_stand(writer *w) {
    if (!w->begun && w->at_known[0] && w->at_known[1] && w->at_known[2]) return GRAINWAY_CODE_OK;
    return refuse(w->host, "{\"message\":\"a cut before a rapid move has said where the cutter stands\"}");
}

static int32_t counts(writer *w, const double *mm, int64_t *c, int n) {
    for (int i = 0; i < n; i++) TRY(length(w, mm[i], &c[i]));
    return GRAINWAY_CODE_OK;
}

static int32_t say_end(writer *w, int64_t feed) {
    say(w, " at ");
    say_decimal(w, feed, w->feed_decimals);
    say(w, " a minute.");
    return end_line(w);
}

static void say_point(writer *w, const int64_t *c) {
    say(w, " to x ");
    say_decimal(w, c[0], w->decimals);
    say(w, " y ");
    say_decimal(w, c[1], w->decimals);
    say(w, " z ");
    say_decimal(w, c[2], w->decimals);
}

static int32_t straight(writer *w, const double *to, int64_t feed) {
    int64_t c[3];
    TRY(counts(w, to, c, 3));
    if (!stands_at(w, c)) {
        w->moves++;
        say(w, "cut straight");
        say_point(w, c);
        TRY(say_end(w, feed));
    }
    stand(w, to, c);
    return GRAINWAY_CODE_OK;
}

static int32_t arc(writer *w, const grainway_item *item, int64_t feed) {
    double centre[2] = {item->x, item->y}, sweep = item->a;
    double s = sin(sweep), k = cos(sweep);
    double dx = w->at[0] - centre[0], dy = w->at[1] - centre[1];
    double to[3] = {centre[0] + (dx * k - dy * s), centre[1] + (dx * s + dy * k), w->at[2] + item->z};
    if (sqrt(dx * dx + dy * dy) < LEAST_RADIUS) return straight(w, to, feed);
    int64_t c[3], i[2];
    TRY(counts(w, to, c, 3));
    TRY(counts(w, centre, i, 2));
    if (stands_at(w, c) && fabs(sweep) < PI) { /* a hair of an arc that vanished */
        stand(w, to, c);
        return GRAINWAY_CODE_OK;
    }
    double turned = round(fabs(sweep) * 180.0 / PI * 1e6);
    if (turned > MOST_TURNED) return refuse(w->host, "{\"message\":\"an arc of far too many turns\"}");
    if (turned < 1.0) return straight(w, to, feed);
    w->moves++;
    say(w, sweep > 0.0 ? "cut left about x " : "cut right about x ");
    say_decimal(w, i[0], w->decimals);
    say(w, " y ");
    say_decimal(w, i[1], w->decimals);
    say(w, " through ");
    say_decimal(w, (int64_t)turned, 6);
    say(w, " degrees");
    say_point(w, c);
    TRY(say_end(w, feed));
    note_rounding(w, centre, i, 2);
    stand(w, to, c);
    return GRAINWAY_CODE_OK;
}

static int32_t hole(writer *w, const grainway_item *item, int64_t feed) {
    int64_t high, low, peck = 0, c[3];
    double at[3] = {item->x, item->y, item->z};
    TRY(length(w, item->z, &high));
    TRY(length(w, item->a, &low));
    if (low >= high) return refuse(w->host, "{\"message\":\"a hole that goes no deeper than it starts\"}");
    TRY(begin(w));
    if (!w->top && (!w->at_known[2] || w->at[2] < item->z)) TRY(height(w, item->z));
    TRY(counts(w, at, c, 2));
    c[2] = high;
    if (item->flags & GRAINWAY_ITEM_FLAG_PECK) {
        TRY(length(w, item->b, &peck));
        if (peck <= 0) return refuse(w->host, "{\"message\":\"a peck of no depth\"}");
    }
    w->moves++;
    say(w, "drill at x ");
    say_decimal(w, c[0], w->decimals);
    say(w, " y ");
    say_decimal(w, c[1], w->decimals);
    say(w, " from z ");
    say_decimal(w, high, w->decimals);
    say(w, " down to z ");
    say_decimal(w, low, w->decimals);
    if (peck) {
        say(w, " in pecks of ");
        say_decimal(w, peck, w->decimals);
    }
    TRY(say_end(w, feed));
    note_rounding(w, &item->a, &low, 1);
    w->top = 0;
    stand(w, at, c);
    return GRAINWAY_CODE_OK;
}

static int finite_item(const grainway_item *i) {
    return isfinite(i->x) && isfinite(i->y) && isfinite(i->z) && isfinite(i->a) && isfinite(i->b) && isfinite(i->feed);
}

static int32_t any_move(writer *w, const grainway_item *i) {
    if (!finite_item(i)) return refuse(w->host, "{\"message\":\"a move with a number that is not finite\"}");
    if (i->kind == GRAINWAY_ITEM_RAPID) return rapid(w, i);
    if (i->kind != GRAINWAY_ITEM_HOLE) TRY(must_stand(w));
    int64_t feed;
    TRY(feed_of(w, i->feed, &feed));
    if (i->kind == GRAINWAY_ITEM_HOLE) return hole(w, i, feed);
    if (i->kind == GRAINWAY_ITEM_ARC) return arc(w, i, feed);
    double to[3] = {i->x, i->y, i->z};
    return straight(w, to, feed);
}

static int32_t cutter(writer *w, const grainway_item *i, const char *label, size_t len) {
    if (i->flags & GRAINWAY_ITEM_FLAG_BY_HAND) {
        if (w->in_use)
            return stop(w->host, GRAINWAY_CODE_UNSUPPORTED,
                        "{\"message\":\"cannot express a cutter change by hand inside a program\","
                        "\"what\":\"a cutter change by hand inside a program\",\"remedy\":\"write one program a cutter\"}");
        say(w, "cutter ");
        say_whole(w, i->number, 1);
        say(w, " is in: ");
        TRY(say_plain(w, label, len));
        say(w, ".");
        return end_line(w);
    }
    if (w->turning) TRY(turn(w, 0, 0, 0));
    say(w, "put in cutter ");
    say_whole(w, i->number, 1);
    say(w, ": ");
    TRY(say_plain(w, label, len));
    say(w, ".");
    TRY(end_line(w));
    forget(w);
    return GRAINWAY_CODE_OK;
}

static int32_t step(writer *w, const grainway_item *i, const char *label, size_t len) {
    /* The list of restarts may grow long, so it goes out piece by piece. */
    char restart[64];
    snprintf(restart, sizeof restart, "%s[%u,%llu]", w->restarts++ ? "," : "", (unsigned)i->number,
             (unsigned long long)(w->lines + 1));
    TRY(give(w->host, GRAINWAY_WRITE_WRITTEN, restart));
    say(w, "step ");
    say_whole(w, i->number, 1);
    say(w, ": ");
    TRY(say_plain(w, label, len));
    say(w, ".");
    TRY(end_line(w));
    if (w->turning) TRY(turn(w, 1, w->rpm, w->clockwise));
    w->begun = w->in_use = 1;
    return GRAINWAY_CODE_OK;
}

static int32_t any_item(writer *w, const grainway_items *batch, const grainway_item *i) {
    const grainway_span spans[2] = {i->text, i->more};
    for (int k = 0; k < 2; k++)
        if (spans[k].at > batch->texts.len || spans[k].len > batch->texts.len - spans[k].at)
            return refuse(w->host, "{\"message\":\"an item's text lies outside its batch\"}");
    const char *text = i->text.len ? (const char *)batch->texts.data + i->text.at : "";
    const char *more = i->more.len ? (const char *)batch->texts.data + i->more.at : "";
    int64_t c;
    switch (i->kind) {
    case GRAINWAY_ITEM_STEP: return step(w, i, text, i->text.len);
    case GRAINWAY_ITEM_CUTTER: return cutter(w, i, more, i->more.len);
    case GRAINWAY_ITEM_SPINDLE:
        if (!(i->flags & GRAINWAY_ITEM_FLAG_ON)) return turn(w, 0, 0, 0);
        if (!count(i->a, 1.0, &c) || c <= 0) return refuse(w->host, "{\"message\":\"a spindle speed that is no number over 0\"}");
        return turn(w, 1, c, (i->flags & GRAINWAY_ITEM_FLAG_CLOCKWISE) != 0);
    case GRAINWAY_ITEM_PAUSE:
        if (w->turning) TRY(turn(w, 0, 0, 0));
        say(w, "wait for the person: ");
        TRY(say_plain(w, text, i->text.len));
        say(w, ".");
        TRY(end_line(w));
        forget(w);
        return GRAINWAY_CODE_OK;
    case GRAINWAY_ITEM_DWELL:
        if (!count(i->a, 100.0, &c) || c < 0) return refuse(w->host, "{\"message\":\"a wait that is no time\"}");
        if (c == 0) return GRAINWAY_CODE_OK;
        say(w, "wait ");
        say_decimal(w, c, 2);
        say(w, " seconds.");
        return end_line(w);
    case GRAINWAY_ITEM_LABEL: return note(w, text, i->text.len);
    case GRAINWAY_ITEM_RETRACT:
        if (!w->top) TRY(rise(w));
        w->top = 1;
        w->at_known[2] = w->told_known[2] = 0;
        return GRAINWAY_CODE_OK;
    case GRAINWAY_ITEM_RAPID:
    case GRAINWAY_ITEM_LINE:
    case GRAINWAY_ITEM_ARC:
    case GRAINWAY_ITEM_HOLE: return any_move(w, i);
    default: return refuse(w->host, "{\"message\":\"an item of an unknown kind\"}");
    }
}

/* The head's keys; `remarks` is left where its list starts. */
typedef struct {
    json_text name;
    double number, safe_z;
    int inch, has_name, has_number, has_unit, has_safe_z;
    json remarks;
} head;

static int read_head(grainway_bytes from, head *h, json_text *text) {
    json j = {from.data, from.data ? from.data + from.len : from.data, 0};
    memset(h, 0, sizeof *h);
    if (!json_take(&j, '{')) return 0;
    if (!json_take(&j, '}')) {
        do {
            if (!json_string(&j, text) || !json_take(&j, ':')) return 0;
#define KEY(key) (text->len == sizeof key - 1 && !memcmp(text->data, key, sizeof key - 1))
            if (KEY("name")) {
                h->has_name = json_string(&j, &h->name);
            } else if (KEY("number")) {
                h->has_number = json_number(&j, &h->number);
            } else if (KEY("safe_z")) {
                h->has_safe_z = json_number(&j, &h->safe_z);
            } else if (KEY("unit")) {
                if (!json_string(&j, text)) return 0;
                h->inch = KEY("in");
                h->has_unit = h->inch || KEY("mm");
            } else if (KEY("remarks")) {
                json_space(&j);
                h->remarks = j;
                if (!json_skip(&j, text, 0)) return 0;
            } else if (!json_skip(&j, text, 0)) {
                return 0;
            }
#undef KEY
            if (j.bad) return 0;
        } while (json_take(&j, ','));
        if (!json_take(&j, '}')) return 0;
    }
    json_space(&j);
    return j.at == j.end && h->has_name && h->has_number && h->has_unit && h->has_safe_z && h->remarks.at && h->number >= 0 &&
           h->number <= 4294967295.0 && isfinite(h->safe_z);
}

static int32_t open_program(writer *w, head *h, json_text *text) {
    say(w, "program ");
    TRY(say_plain(w, h->name.data, h->name.len));
    say(w, ", number ");
    say_whole(w, (uint64_t)h->number, 1);
    say(w, h->inch ? ", lengths in inches." : ", lengths in millimetres.");
    TRY(end_line(w));
    json *j = &h->remarks;
    if (!json_take(j, '[')) return refuse(w->host, "{\"pointer\":\"/remarks\",\"message\":\"the remarks are no list\"}");
    if (json_take(j, ']')) return GRAINWAY_CODE_OK;
    do {
        if (!json_string(j, text)) return refuse(w->host, "{\"pointer\":\"/remarks\",\"message\":\"a remark is no text\"}");
        TRY(note(w, text->data, text->len));
    } while (json_take(j, ','));
    return GRAINWAY_CODE_OK;
}

static int32_t write_program(writer *w, head *h, json_text *text) {
    w->decimals = h->inch ? 5 : 4;
    w->feed_decimals = h->inch ? 2 : 1;
    double unit_mm = h->inch ? 25.4 : 1.0;
    w->per_mm = (h->inch ? 100000.0 : 10000.0) / unit_mm;
    w->per_feed = (h->inch ? 100.0 : 10.0) / unit_mm;
    w->safe_z = h->safe_z;
    TRY(give(w->host, GRAINWAY_WRITE_WRITTEN, "{\"restarts\":["));
    TRY(open_program(w, h, text));
    for (;;) {
        grainway_items batch;
        TRY(w->host->items(w->host->context, &batch));
        if (batch.count == 0) break;
        for (size_t i = 0; i < batch.count; i++) TRY(any_item(w, &batch, &batch.items[i]));
    }
    if (w->turning) TRY(turn(w, 0, 0, 0));
    say(w, "the program is done.");
    TRY(end_line(w));
    TRY(flush(w));
    char figures[160];
    snprintf(figures, sizeof figures, "],\"lines\":%llu,\"moves\":%llu,\"rounding_mm\":%.17g}", (unsigned long long)w->lines,
             (unsigned long long)w->moves, w->rounding);
    return give(w->host, GRAINWAY_WRITE_WRITTEN, figures);
}

static int32_t dialect_write(void *instance, const grainway_host *host, grainway_bytes head_bytes) {
    if (!instance || !usable(host) || !host->items) return GRAINWAY_CODE_REFUSED;
    head h;
    json_text text = {0};
    writer *w = calloc(1, sizeof *w);
    int32_t code;
    if (!w) {
        code = stop(host, GRAINWAY_CODE_INTERNAL, "{\"message\":\"no memory\"}");
        memset(&h, 0, sizeof h);
    } else if (!read_head(head_bytes, &h, &text)) {
        code = refuse(host, "{\"message\":\"the head cannot be read\"}");
    } else {
        w->host = host;
        code = write_program(w, &h, &text);
    }
    free(h.name.data);
    free(text.data);
    free(w);
    return code;
}

/* ---- reading: shares nothing with the writer but the host's side */

#define LONGEST 4096
#define BATCH 256
#define TEXTS 65536
static const double ARC_MM = 0.002;
static const double MOST_PECKS = 10000.0;
static const double PECK_CLEARANCE = 0.5;

typedef struct {
    double v[3];
    int known[3];
} position;

typedef struct {
    const grainway_host *host;
    grainway_read_move moves[BATCH];
    size_t count;
    char texts[TEXTS];
    size_t texts_len;
    uint64_t line;
    double unit; /* mm; 0 before it was said */
    position at;
    int has_feed, turning, clockwise, has_cutter, ended, after_end_said;
    double feed, rpm;
    uint32_t cutter;
} reader;

static int32_t hand_on(reader *r) {
    if (r->count == 0) return GRAINWAY_CODE_OK;
    grainway_read_moves batch = {r->moves, r->count, {(const uint8_t *)r->texts, r->texts_len}};
    r->count = r->texts_len = 0;
    return r->host->receive(r->host->context, &batch);
}

static grainway_span keep(reader *r, const char *text, size_t len) {
    grainway_span span = {(uint32_t)r->texts_len, (uint32_t)len};
    memcpy(r->texts + r->texts_len, text, len);
    r->texts_len += len;
    return span;
}

/* The next place in the batch, filled with what is in force. There is always room for the texts of one line in it. */
static int32_t next_move(reader *r, uint32_t kind, const position *to, grainway_read_move **out) {
    if (r->count == BATCH || r->texts_len + 2 * LONGEST > TEXTS) TRY(hand_on(r));
    grainway_read_move *m = &r->moves[r->count++];
    memset(m, 0, sizeof *m);
    m->line = r->line;
    m->kind = kind;
    for (int i = 0; i < 3; i++) {
        if (r->at.known[i]) {
            m->flags |= GRAINWAY_READ_HAS_FROM_X << i;
            m->from[i] = r->at.v[i];
        }
        if (to->known[i]) {
            m->flags |= GRAINWAY_READ_HAS_TO_X << i;
            m->to[i] = to->v[i];
        }
    }
    if (r->has_feed) {
        m->flags |= GRAINWAY_READ_HAS_FEED;
        m->feed = r->feed;
    }
    if (r->turning) {
        m->flags |= GRAINWAY_READ_HAS_SPINDLE | (r->clockwise ? GRAINWAY_READ_CLOCKWISE : 0u);
        m->rpm = r->rpm;
    }
    if (r->has_cutter) {
        m->flags |= GRAINWAY_READ_HAS_CUTTER;
        m->cutter = r->cutter;
    }
    r->at = *to;
    *out = m;
    return GRAINWAY_CODE_OK;
}

static int32_t tell(reader *r, uint32_t kind, position to) {
    grainway_read_move *m;
    return next_move(r, kind, &to, &m);
}

static int32_t fault(reader *r, const char *code, const char *message) {
    grainway_read_move *m;
    position here = r->at;
    TRY(next_move(r, GRAINWAY_READ_FAULT, &here, &m));
    m->code = keep(r, code, strlen(code));
    m->text = keep(r, message, strlen(message));
    return GRAINWAY_CODE_OK;
}

static int utf8(const unsigned char *s, size_t len) {
    for (size_t i = 0; i < len;) {
        unsigned char c = s[i];
        size_t n = c < 0x80 ? 1 : c < 0xc2 ? 0 : c < 0xe0 ? 2 : c < 0xf0 ? 3 : c < 0xf5 ? 4 : 0;
        if (n == 0 || n > len - i) return 0;
        for (size_t k = 1; k < n; k++)
            if ((s[i + k] & 0xc0) != 0x80) return 0;
        if ((c == 0xe0 && s[i + 1] < 0xa0) || (c == 0xed && s[i + 1] > 0x9f) || (c == 0xf0 && s[i + 1] < 0x90) ||
            (c == 0xf4 && s[i + 1] > 0x8f))
            return 0;
        i += n;
    }
    return 1;
}

/* What is left of a sentence; ends with a zero. */
typedef const char *words;

static int take(words *w, const char *text) {
    size_t n = strlen(text);
    if (strncmp(*w, text, n)) return 0;
    *w += n;
    return 1;
}

static int number(words *w, int is_signed, int point, double *out) {
    const char *at = *w;
    char digits[32];
    if (is_signed && *at == '-') at++;
    size_t whole = strspn(at, "0123456789");
    if (whole == 0 || whole > 12) return 0;
    at += whole;
    if (point) {
        if (*at != '.') return 0;
        size_t fraction = strspn(at + 1, "0123456789");
        if (fraction == 0 || fraction > 9) return 0;
        at += 1 + fraction;
    }
    size_t n = (size_t)(at - *w);
    memcpy(digits, *w, n);
    digits[n] = 0;
    *out = strtod(digits, NULL);
    *w = at;
    return 1;
}

static int whole(words *w, uint32_t *out) {
    double v;
    if (!number(w, 0, 0, &v) || v > 4294967295.0) return 0;
    *out = (uint32_t)v;
    return 1;
}

static int at_end(words w) { return !strcmp(w, "."); }

/* The rest ends with a full stop. */
static int free_text(words w) {
    size_t n = strlen(w);
    return n && w[n - 1] == '.';
}

static int coordinate(reader *r, words *w, const char *before, double *out) {
    if (!take(w, before) || !number(w, 1, 1, out)) return 0;
    *out *= r->unit;
    return 1;
}

static int at_feed(reader *r, words *w) {
    double feed;
    if (!take(w, " at ") || !number(w, 0, 1, &feed) || !take(w, " a minute") || !at_end(*w)) return 0;
    feed *= r->unit;
    if (feed <= 0.0) return 0;
    r->feed = feed;
    r->has_feed = 1;
    return 1;
}

static int target(reader *r, words *w, position *to) {
    for (int i = 0; i < 3; i++) to->known[i] = 1;
    return coordinate(r, w, " to x ", &to->v[0]) && coordinate(r, w, " y ", &to->v[1]) && coordinate(r, w, " z ", &to->v[2]) &&
           at_feed(r, w);
}

static double radius(double x, double y, const double *c) {
    double dx = x - c[0], dy = y - c[1];
    return sqrt(dx * dx + dy * dy);
}

static int32_t read_arc(reader *r, position to, const double *centre, int left, double said) {
    const double *f = r->at.v;
    if (!r->at.known[0] || !r->at.known[1] || !r->at.known[2]) {
        r->at = to;
        return fault(r, "unknown-position", "An arc starts where the cutter's position is not known.");
    }
    if (!isfinite(f[2])) {
        r->at = to;
        return fault(r, "unknown-position", "An arc starts at the machine's top.");
    }
    double a = atan2(f[1] - centre[1], f[0] - centre[0]), b = atan2(to.v[1] - centre[1], to.v[0] - centre[0]);
    double way = left ? 1.0 : -1.0, base = fmod((b - a) * way, TAU);
    if (base < 0.0) base += TAU;
    double sweep = base + TAU * round((said - base) / TAU);
    double from_r = radius(f[0], f[1], centre), to_r = radius(to.v[0], to.v[1], centre);
    if (fabs(sweep - said) * (from_r > to_r ? from_r : to_r) > ARC_MM) {
        r->at = to;
        return fault(r, "arc-angle", "An arc does not turn as far as its ends lie apart.");
    }
    if (sweep <= 0.0) return tell(r, GRAINWAY_READ_LINE, to); /* a hair that rounding turned round */
    grainway_read_move *m;
    TRY(next_move(r, GRAINWAY_READ_ARC, &to, &m));
    m->centre[0] = centre[0];
    m->centre[1] = centre[1];
    m->sweep = sweep * way;
    m->mismatch = fabs(from_r - to_r);
    return GRAINWAY_CODE_OK;
}

static int32_t read_hole(reader *r, double x, double y, double retract, double bottom, double peck) {
    position at = r->at;
    at.v[0] = x;
    at.v[1] = y;
    at.known[0] = at.known[1] = 1;
    TRY(tell(r, GRAINWAY_READ_RAPID, at));
    at.known[2] = 1;
    at.v[2] = retract;
    TRY(tell(r, GRAINWAY_READ_RAPID, at));
    for (double depth = retract;;) {
        depth = depth - peck > bottom ? depth - peck : bottom;
        at.v[2] = depth;
        TRY(tell(r, GRAINWAY_READ_LINE, at));
        at.v[2] = retract;
        TRY(tell(r, GRAINWAY_READ_RAPID, at));
        if (depth <= bottom) return GRAINWAY_CODE_OK;
        at.v[2] = depth + PECK_CLEARANCE < retract ? depth + PECK_CLEARANCE : retract;
        TRY(tell(r, GRAINWAY_READ_RAPID, at));
    }
}

static const position NOWHERE = {{0, 0, 0}, {0, 0, 0}};

/* Does a sentence; `known` says whether it is one of the language's. */
static int32_t sentence(reader *r, words w, int *known) {
    grainway_read_move *m;
    position to = r->at;
    uint32_t n;
    double v;
    *known = 1;
    if (take(&w, "note: ")) {
        if (free_text(w)) return GRAINWAY_CODE_OK;
    } else if (take(&w, "step ")) {
        if (whole(&w, &n) && take(&w, ": ") && free_text(w)) {
            TRY(next_move(r, GRAINWAY_READ_STEP, &to, &m));
            m->number = n;
            return GRAINWAY_CODE_OK;
        }
    } else if (take(&w, "cutter ")) {
        if (whole(&w, &n) && take(&w, " is in: ") && free_text(w)) {
            r->cutter = n;
            r->has_cutter = 1;
            return GRAINWAY_CODE_OK;
        }
    } else if (take(&w, "put in cutter ")) {
        if (whole(&w, &n) && take(&w, ": ") && free_text(w)) {
            r->cutter = n;
            r->has_cutter = 1;
            r->turning = 0;
            return tell(r, GRAINWAY_READ_CUTTER, NOWHERE);
        }
    } else if (take(&w, "turn the spindle ")) {
        int clockwise = take(&w, "clockwise");
        if ((clockwise || take(&w, "counter-clockwise")) && take(&w, " at ") && whole(&w, &n) && n && take(&w, " a minute") &&
            at_end(w)) {
            r->turning = 1;
            r->clockwise = clockwise;
            r->rpm = n;
            return tell(r, GRAINWAY_READ_SPINDLE, to);
        }
    } else if (take(&w, "stop the spindle")) {
        if (at_end(w)) {
            r->turning = 0;
            return tell(r, GRAINWAY_READ_SPINDLE, to);
        }
    } else if (take(&w, "wait for the person: ")) {
        if (free_text(w)) {
            TRY(next_move(r, GRAINWAY_READ_PAUSE, &NOWHERE, &m));
            m->text = keep(r, w, strlen(w) - 1);
            return GRAINWAY_CODE_OK;
        }
    } else if (take(&w, "wait ")) {
        if (number(&w, 0, 1, &v) && take(&w, " seconds") && at_end(w)) {
            TRY(next_move(r, GRAINWAY_READ_DWELL, &to, &m));
            m->seconds = v;
            return GRAINWAY_CODE_OK;
        }
    } else if (take(&w, "rise to the top")) {
        if (at_end(w)) {
            to.v[2] = INFINITY;
            to.known[2] = 1;
            return tell(r, GRAINWAY_READ_RETRACT, to);
        }
    } else if (take(&w, "go to height")) {
        if (coordinate(r, &w, " z ", &v) && at_end(w)) {
            to.v[2] = v;
            to.known[2] = 1;
            return tell(r, GRAINWAY_READ_RAPID, to);
        }
    } else if (take(&w, "go over to")) {
        double y;
        if (coordinate(r, &w, " x ", &v) && coordinate(r, &w, " y ", &y) && at_end(w)) {
            to.v[0] = v;
            to.v[1] = y;
            to.known[0] = to.known[1] = 1;
            return tell(r, GRAINWAY_READ_RAPID, to);
        }
    } else if (take(&w, "cut straight")) {
        if (target(r, &w, &to)) return tell(r, GRAINWAY_READ_LINE, to);
    } else if (take(&w, "cut ")) {
        int left = take(&w, "left");
        double c[2];
        if ((left || take(&w, "right")) && coordinate(r, &w, " about x ", &c[0]) && coordinate(r, &w, " y ", &c[1]) &&
            take(&w, " through ") && number(&w, 0, 1, &v) && take(&w, " degrees") && target(r, &w, &to))
            return read_arc(r, to, c, left, v * (PI / 180.0));
    } else if (take(&w, "drill at")) {
        double x, y, retract, bottom, peck = INFINITY;
        if (coordinate(r, &w, " x ", &x) && coordinate(r, &w, " y ", &y) && coordinate(r, &w, " from z ", &retract) &&
            coordinate(r, &w, " down to z ", &bottom)) {
            int pecks = take(&w, " in pecks of ");
            if ((!pecks || number(&w, 0, 1, &peck)) && at_feed(r, &w)) {
                peck *= r->unit;
                if (bottom >= retract || peck <= 0.0) return fault(r, "bad-depth", "A hole goes no deeper than it starts.");
                if ((retract - bottom) / peck > MOST_PECKS) return fault(r, "bad-depth", "A hole has more than 10000 pecks.");
                return read_hole(r, x, y, retract, bottom, peck);
            }
        }
    } else if (take(&w, "the program is done")) {
        if (at_end(w)) {
            r->ended = 1;
            return tell(r, GRAINWAY_READ_END, to);
        }
    }
    *known = 0;
    return GRAINWAY_CODE_OK;
}

/* mm in the unit that a program's first sentence names; 0 when it names none. */
static double unit_of(const char *text) {
    static const struct {
        const char *words;
        double mm;
    } units[] = {{", lengths in millimetres.", 1.0}, {", lengths in inches.", 25.4}};
    size_t len = strlen(text);
    if (strncmp(text, "program ", 8)) return 0;
    for (int i = 0; i < 2; i++) {
        size_t n = strlen(units[i].words);
        if (len < 8 + n || strcmp(text + len - n, units[i].words)) continue;
        const char *end = text + len - n, *at = end;
        while (at > text && at[-1] >= '0' && at[-1] <= '9') at--;
        if (at == end || end - at > 10 || at - text < 17 || strncmp(at - 9, ", number ", 9)) return 0;
        return strtod(at, NULL) <= 4294967295.0 ? units[i].mm : 0;
    }
    return 0;
}

static int32_t read_line(reader *r, char *text, size_t len, int too_long) {
    r->line++;
    if (too_long) return fault(r, "line-too-long", "The line has more than 4096 bytes.");
    if (!utf8((const unsigned char *)text, len)) return fault(r, "not-utf-8", "The line is not UTF-8 text.");
    if (len == 0) return GRAINWAY_CODE_OK;
    if (r->ended) {
        if (r->after_end_said) return GRAINWAY_CODE_OK;
        r->after_end_said = 1;
        return fault(r, "after-end", "A sentence stands after the program's end.");
    }
    text[len] = 0;
    /* A zero inside would hide the rest of the line. */
    int zero = memchr(text, 0, len) != NULL;
    if (r->unit == 0) {
        r->unit = zero ? 0 : unit_of(text);
        if (r->unit != 0) return GRAINWAY_CODE_OK;
        r->unit = 1.0;
        TRY(fault(r, "no-unit", "The first sentence does not say the unit of lengths."));
    }
    int known = 0;
    if (!zero) TRY(sentence(r, text, &known));
    return known ? GRAINWAY_CODE_OK : fault(r, "unknown-sentence", "This sentence is not known.");
}

static int32_t read_program(reader *r) {
    /* One more for a CR, one more for the zero. */
    char line[LONGEST + 2];
    size_t len = 0;
    uint64_t whole_len = 0;
    unsigned char last = 0;
    for (;;) {
        grainway_bytes piece;
        TRY(r->host->read(r->host->context, &piece));
        for (size_t i = 0; i < piece.len; i++) {
            unsigned char c = piece.data[i];
            if (c != '\n') {
                if (len < LONGEST + 1) line[len++] = (char)c;
                whole_len++;
                last = c;
                continue;
            }
            if (whole_len && last == '\r') whole_len--, len -= len > whole_len;
            TRY(read_line(r, line, len, whole_len > LONGEST));
            len = 0;
            whole_len = 0;
        }
        if (piece.len == 0) break;
    }
    if (whole_len) {
        if (last == '\r') whole_len--, len -= len > whole_len;
        TRY(read_line(r, line, len, whole_len > LONGEST));
    }
    TRY(hand_on(r));
    char end[80];
    snprintf(end, sizeof end, "{\"lines\":%llu,\"ended\":%s}", (unsigned long long)r->line, r->ended ? "true" : "false");
    return give(r->host, GRAINWAY_WRITE_END, end);
}

static int32_t dialect_read(void *instance, const grainway_host *host) {
    if (!instance || !usable(host) || !host->read || !host->receive) return GRAINWAY_CODE_REFUSED;
    reader *r = calloc(1, sizeof *r);
    if (!r) return stop(host, GRAINWAY_CODE_INTERNAL, "{\"message\":\"no memory\"}");
    r->host = host;
    int32_t code = read_program(r);
    free(r);
    return code;
}

/* ---- the table */

static int32_t describe(const grainway_host *host) {
    if (!usable(host)) return GRAINWAY_CODE_REFUSED;
    return give(host, GRAINWAY_WRITE_DESCRIPTION, DESCRIPTION);
}

/* An instance needs no state of its own here; it is only told from null. */
static int32_t create(const grainway_host *host, uint32_t what, grainway_bytes name, grainway_bytes settings, void **instance) {
    if (!usable(host) || !instance) return GRAINWAY_CODE_REFUSED;
    if (what != GRAINWAY_MAKE_DIALECT || name.len != sizeof NAME - 1 || memcmp(name.data, NAME, name.len))
        return refuse(host, "{\"message\":\"there is no such thing in here\"}");
    json j = {settings.data, settings.data ? settings.data + settings.len : settings.data, 0};
    if (!json_take(&j, '{') || !json_take(&j, '}')) return refuse(host, "{\"message\":\"a dialect has no settings\"}");
    json_space(&j);
    if (j.at != j.end) return refuse(host, "{\"message\":\"the settings are not JSON\"}");
    *instance = malloc(1);
    return *instance ? GRAINWAY_CODE_OK : stop(host, GRAINWAY_CODE_INTERNAL, "{\"message\":\"no memory\"}");
}

static int32_t destroy(void *instance) {
    free(instance);
    return GRAINWAY_CODE_OK;
}

static const grainway_plugin TABLE = {
    .magic = {'G', 'R', 'A', 'I', 'N', 'W', 'A', 'Y'},
    .major = GRAINWAY_MAJOR,
    .minor = GRAINWAY_MINOR,
    .size = sizeof TABLE,
    .describe = describe,
    .create = create,
    .destroy = destroy,
    .dialect_write = dialect_write,
    .dialect_read = dialect_read,
    .stage_run = NULL,
};

const grainway_plugin *grainway_plugin_1(void) { return &TABLE; }
