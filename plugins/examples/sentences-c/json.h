/* A small strict reader of JSON, enough for the heads and settings that a plugin gets. Nothing is allocated but the text that a
   string is unescaped into. `bad` stays set once something was wrong; every function then returns 0. */

#ifndef JSON_H
#define JSON_H

#include <stddef.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    const unsigned char *at, *end;
    int bad;
} json;

/* Bytes that grow. */
typedef struct {
    char *data;
    size_t len, room;
} json_text;

static int json_push(json_text *t, char c) {
    if (t->len == t->room) {
        size_t room = t->room ? 2 * t->room : 256;
        char *data = realloc(t->data, room);
        if (!data) return 0;
        t->data = data;
        t->room = room;
    }
    t->data[t->len++] = c;
    return 1;
}

static int json_fail(json *j) {
    j->bad = 1;
    return 0;
}

static void json_space(json *j) {
    while (j->at < j->end && strchr(" \t\r\n", *j->at) && *j->at) j->at++;
}

/* Takes `c`, if it is next. */
static int json_take(json *j, char c) {
    json_space(j);
    if (j->bad || j->at >= j->end || *j->at != (unsigned char)c) return 0;
    j->at++;
    return 1;
}

static int json_hex(json *j, unsigned *value) {
    *value = 0;
    for (int i = 0; i < 4; i++) {
        if (j->at >= j->end) return json_fail(j);
        unsigned char c = *j->at++;
        unsigned digit;
        if (c >= '0' && c <= '9') digit = c - '0';
        else if (c >= 'a' && c <= 'f') digit = c - 'a' + 10u;
        else if (c >= 'A' && c <= 'F') digit = c - 'A' + 10u;
        else return json_fail(j);
        *value = *value * 16 + digit;
    }
    return 1;
}

static int json_utf8(json_text *t, unsigned c) {
    if (c < 0x80) return json_push(t, (char)c);
    if (c < 0x800) return json_push(t, (char)(0xc0 | c >> 6)) && json_push(t, (char)(0x80 | (c & 63)));
    if (c < 0x10000)
        return json_push(t, (char)(0xe0 | c >> 12)) && json_push(t, (char)(0x80 | (c >> 6 & 63))) &&
               json_push(t, (char)(0x80 | (c & 63)));
    return json_push(t, (char)(0xf0 | c >> 18)) && json_push(t, (char)(0x80 | (c >> 12 & 63))) &&
           json_push(t, (char)(0x80 | (c >> 6 & 63))) && json_push(t, (char)(0x80 | (c & 63)));
}

/* Reads a string into `t`, from its start. */
static int json_string(json *j, json_text *t) {
    t->len = 0;
    if (!json_take(j, '"')) return json_fail(j);
    while (j->at < j->end) {
        unsigned char c = *j->at++;
        if (c == '"') return 1;
        if (c < 0x20) return json_fail(j);
        if (c != '\\') {
            if (!json_push(t, (char)c)) return json_fail(j);
            continue;
        }
        if (j->at >= j->end) return json_fail(j);
        unsigned value, low;
        switch (*j->at++) {
        case '"': value = '"'; break;
        case '\\': value = '\\'; break;
        case '/': value = '/'; break;
        case 'b': value = '\b'; break;
        case 'f': value = '\f'; break;
        case 'n': value = '\n'; break;
        case 'r': value = '\r'; break;
        case 't': value = '\t'; break;
        case 'u':
            if (!json_hex(j, &value)) return 0;
            if (value >= 0xd800 && value < 0xdc00) {
                if (j->end - j->at < 2 || j->at[0] != '\\' || j->at[1] != 'u') return json_fail(j);
                j->at += 2;
                if (!json_hex(j, &low)) return 0;
                if (low < 0xdc00 || low > 0xdfff) return json_fail(j);
                value = 0x10000 + ((value - 0xd800) << 10) + (low - 0xdc00);
            } else if (value >= 0xdc00 && value <= 0xdfff) {
                return json_fail(j);
            }
            break;
        default: return json_fail(j);
        }
        if (!json_utf8(t, value)) return json_fail(j);
    }
    return json_fail(j);
}

static int json_number(json *j, double *value) {
    char digits[64];
    size_t n = 0;
    json_space(j);
    while (j->at < j->end && n + 1 < sizeof digits && *j->at && strchr("+-.eE0123456789", *j->at)) digits[n++] = (char)*j->at++;
    digits[n] = 0;
    char *end;
    *value = strtod(digits, &end);
    if (j->bad || n == 0 || *end) return json_fail(j);
    return 1;
}

/* Steps over whatever comes next. */
static int json_skip(json *j, json_text *t, int depth) {
    json_space(j);
    if (j->bad || depth > 64 || j->at >= j->end) return json_fail(j);
    if (*j->at == '"') return json_string(j, t);
    if (*j->at == '{' || *j->at == '[') {
        char close = *j->at == '{' ? '}' : ']';
        j->at++;
        if (json_take(j, close)) return 1;
        do {
            if (close == '}' && (!json_string(j, t) || !json_take(j, ':'))) return json_fail(j);
            if (!json_skip(j, t, depth + 1)) return 0;
        } while (json_take(j, ','));
        return json_take(j, close) ? 1 : json_fail(j);
    }
    static const char *const words[] = {"true", "false", "null"};
    for (int i = 0; i < 3; i++) {
        size_t n = strlen(words[i]);
        if ((size_t)(j->end - j->at) >= n && !memcmp(j->at, words[i], n)) {
            j->at += n;
            return 1;
        }
    }
    double ignored;
    return json_number(j, &ignored);
}

#endif
