/* A dialect in C that goes wrong in the way BEHAVIOUR names, under the name NAME. One line a batch of items when it behaves. With
   STAGE, a stage of that name that goes wrong likewise, and notes that it ran when it behaves. */
#define _GNU_SOURCE
#include "grainway.h"
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#ifndef VERSION
#define VERSION "1.0"
#endif
#ifndef MAJOR
#define MAJOR 1
#endif
#define IS(name) (strcmp(BEHAVIOUR, name) == 0)

static int32_t say(const grainway_host *host, uint32_t kind, const char *text) {
    grainway_bytes bytes = { (const uint8_t *)text, strlen(text) };
    return host->write(host->context, kind, bytes);
}

static void for_ever(void) {
    for (;;) sleep(1000);
}

static void deadlock(void) {
    static pthread_mutex_t lock;
    pthread_mutex_init(&lock, NULL);
    pthread_mutex_lock(&lock);
    pthread_mutex_lock(&lock);
}

static void *spin(void *unused) {
    volatile unsigned n = 0;
    (void)unused;
    for (;;) n++;
    return NULL;
}

static int32_t describe(const grainway_host *host) {
    if (IS("hang-in-describe")) for_ever();
    return say(host, GRAINWAY_WRITE_DESCRIPTION,
        "{\"name\":\"" NAME "\",\"version\":\"" VERSION "\",\"summary\":\"Goes wrong.\",\"dialects\":[{\"name\":\"" NAME
        "\",\"version\":1,\"summary\":\"For tests.\",\"ending\":\".wild\",\"arcs\":true,\"helices\":true,\"cycles\":true,"
        "\"cutter_change\":true,\"pauses\":true,\"spindle\":true,\"straight_rapids\":true,\"decimals_mm\":3,\"decimals_inch\":4,"
        "\"blocks_per_second\":100.0,\"line_length\":0,\"reads\":false}]"
#ifdef STAGE
        ",\"stages\":[{\"name\":\"" STAGE "\",\"version\":1,\"summary\":\"Plans where the vacuum holds.\",\"needs\":[\"placed\"],"
        "\"gives\":[\"" STAGE "\"],\"may\":[\"findings\"],\"findings\":[{\"word\":\"planned\",\"severity\":\"note\","
        "\"about\":\"It ran.\",\"remedy\":\"Nothing.\"}],\"schema\":{\"type\":\"object\",\"properties\":{\"gap\":"
        "{\"$ref\":\"#/$defs/Length\"}},\"additionalProperties\":false},\"example\":{\"gap\":25}}]"
#endif
        "}");
}

static int32_t create(const grainway_host *host, uint32_t what, grainway_bytes name, grainway_bytes settings, void **instance) {
    static int one;
    (void)host, (void)what, (void)name, (void)settings;
    *instance = &one;
    return GRAINWAY_CODE_OK;
}

static int32_t destroy(void *instance) {
    (void)instance;
    return GRAINWAY_CODE_OK;
}

static void grandchild(int own_session) {
    if (fork() == 0) {
        if (own_session) {
            setsid();
            if (fork() != 0) _exit(0);
        }
        execl("/bin/sleep", "sleep", "600", (char *)NULL);
        _exit(1);
    }
}

static int32_t misbehave(const grainway_host *host) {
    if (IS("crash")) *(volatile int *)8 = 1;
    if (IS("abort")) abort();
    if (IS("leave")) exit(0);
    if (IS("leave-with-5")) _exit(5);
    if (IS("hang")) for_ever();
    if (IS("deadlock")) deadlock();
    if (IS("spin")) spin(NULL);
    if (IS("hoard")) for (;;) memset(malloc(1 << 24), 1, 1 << 24);
    if (IS("close")) for (int fd = 0; fd < 256; fd++) close(fd);
    if (IS("garbage")) return say(host, GRAINWAY_WRITE_TEXT, "\xff\xfe\xfd\n");
    if (IS("endless")) for (;;) if (say(host, GRAINWAY_WRITE_TEXT, "and so on and so on and so on and so on\n")) return GRAINWAY_CODE_INTERNAL;
    if (IS("code")) return 99;
    if (IS("refuse")) {
        say(host, GRAINWAY_WRITE_REASON, "{\"message\":\"the board is green\",\"pointer\":\"/setup\"}");
        return GRAINWAY_CODE_REFUSED;
    }
    if (IS("panic")) {
        say(host, GRAINWAY_WRITE_REASON, "{\"message\":\"index out of bounds\"}");
        return GRAINWAY_CODE_PANICKED;
    }
    if (IS("print")) {
        for (int i = 0; i < 20000; i++) printf("{\"frame\":\"done\"}\n"), fprintf(stderr, "{\"frame\":\"refused\"}\n");
        fflush(stdout);
    }
    if (IS("threads")) {
        pthread_t thread;
        for (int i = 0; i < 4; i++) pthread_create(&thread, NULL, spin, NULL);
    }
    if (IS("grandchildren") || IS("grandchildren-and-hang")) {
        grandchild(0);
        grandchild(1);
        usleep(100000);
        if (IS("grandchildren-and-hang")) for_ever();
    }
    if (IS("environment")) {
        extern char **environ;
        for (char **e = environ; *e; e++) fprintf(stderr, "%.*s ", (int)strcspn(*e, "="), *e);
        abort();
    }
#ifdef ONCE
    if (IS("once") && close(open(ONCE, O_CREAT | O_EXCL | O_WRONLY, 0600)) == 0) *(volatile int *)8 = 1;
#endif
    return GRAINWAY_CODE_OK;
}

static int32_t dialect_write(void *instance, const grainway_host *host, grainway_bytes head) {
    char written[120], line[120];
    size_t lines = 0;
    (void)instance, (void)head;
    int32_t code = misbehave(host);
    if (code != GRAINWAY_CODE_OK) return code;
    for (;;) {
        grainway_items batch;
        code = host->items(host->context, &batch);
        if (code != GRAINWAY_CODE_OK) return code;
        if (batch.count == 0) break;
        snprintf(line, sizeof line, VERSION ": %zu items\n", batch.count);
        code = say(host, GRAINWAY_WRITE_TEXT, line);
        if (code != GRAINWAY_CODE_OK) return code;
        lines++;
    }
    snprintf(written, sizeof written, "{\"lines\":%zu,\"moves\":0,\"restarts\":[],\"rounding_mm\":0.0}", lines);
    return say(host, GRAINWAY_WRITE_WRITTEN, written);
}

static int32_t stage_run(void *instance, const grainway_host *host, grainway_bytes work) {
    (void)instance, (void)work;
    int32_t code = misbehave(host);
    if (code != GRAINWAY_CODE_OK) return code;
    return say(host, GRAINWAY_WRITE_PATCH, "{\"findings\":[{\"code\":\"planned\",\"message\":\"The zones are planned.\"}]}");
}

__attribute__((constructor)) static void loaded(void) {
    if (IS("crash-when-loaded")) *(volatile int *)8 = 1;
    if (IS("hang-when-loaded")) for_ever();
    if (IS("leave-when-loaded")) exit(0);
}

static const grainway_plugin plugin = {
    { 'G', 'R', 'A', 'I', 'N', 'W', 'A', 'Y' }, MAJOR, 0, sizeof(grainway_plugin), describe, create, destroy, dialect_write, NULL, stage_run,
};

#ifndef ENTRY
#define ENTRY grainway_plugin_1
#endif
const grainway_plugin *ENTRY(void) {
    return IS("null-table") ? NULL : &plugin;
}
