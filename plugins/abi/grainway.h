/* The C interface between grainway (the *host*) and a native plugin, major version 1.

   A plugin is a shared library that exports one function, `grainway_plugin_1`, which returns a pointer to a static
   `Plugin`. `grainway.h` beside this crate says the same in C; a test holds the two together.

   Rules

   - No memory changes owner. What the host hands over is lent: for the call, or, where a callback says so, until the next
   call of that callback. What a plugin hands over is copied before the callback returns. Nobody frees what the other made;
   an instance is made by `create` and ended by `destroy`, both the plugin's.
   - One thread a call. Callbacks are called from the thread that the plugin was called on, and not after the plugin's
   function has returned. A plugin leaves no thread and no open file behind. The host may call a plugin from several threads
   at once, each with an instance of its own.
   - Nothing unwinds across the border. A panic or an exception is caught and becomes `CODE_PANICKED`.
   - A callback that does not return `CODE_OK` ends the work: the plugin cleans up and returns that very code.
   - Determinism. The same input gives the same bytes: no clock, no random numbers, no environment.
   - Texts are UTF-8 without a zero at the end. Documents are JSON. Lengths are mm, angles radians, feeds mm/min, speeds rev/min.

   Versions

   Another major version has another function name. `Plugin` and `Host` may grow at their end within a major version; each
   side reads at most the bytes that the other's `size` allows and takes the rest as null. All other structs never change within
   a major version. What a plugin cannot do without, it names in `requires` of its description; what it only likes, in `uses`. */

/* Made from plugins/abi/src/lib.rs by its tests; do not change by hand. */

#ifndef GRAINWAY_H
#define GRAINWAY_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct grainway_bytes grainway_bytes;
typedef struct grainway_numbers grainway_numbers;
typedef struct grainway_span grainway_span;
typedef struct grainway_item grainway_item;
typedef struct grainway_items grainway_items;
typedef struct grainway_read_move grainway_read_move;
typedef struct grainway_read_moves grainway_read_moves;
typedef struct grainway_host grainway_host;
typedef struct grainway_plugin grainway_plugin;
/* The first eight bytes of a `Plugin`. */
#define GRAINWAY_MAGIC "GRAINWAY"
/* Version of this interface; another one is another function name. */
#define GRAINWAY_MAJOR 1u
/* Counts up when `Plugin` or `Host` grow. */
#define GRAINWAY_MINOR 0u
/* Name of the function that a plugin exports. */
#define GRAINWAY_ENTRY "grainway_plugin_1"
/* Done. */
#define GRAINWAY_CODE_OK 0
/* The input is bad; a reason with a pointer was written. */
#define GRAINWAY_CODE_REFUSED 1
/* The plugin cannot do this; a reason with a remedy was written. */
#define GRAINWAY_CODE_UNSUPPORTED 2
/* The host asked for an end. */
#define GRAINWAY_CODE_CANCELLED 3
/* The plugin failed; a reason was written. */
#define GRAINWAY_CODE_INTERNAL 4
/* The plugin panicked and caught it. */
#define GRAINWAY_CODE_PANICKED 5
/* A callback of the host failed or wants no more; plugins only pass this on. */
#define GRAINWAY_CODE_HOST 6
/* The plugin's description, JSON. */
#define GRAINWAY_WRITE_DESCRIPTION 1u
/* A piece of a program's text, UTF-8; pieces may end anywhere. */
#define GRAINWAY_WRITE_TEXT 2u
/* What was written: `{"lines", "moves", "restarts": [[step, line]], "rounding_mm"}`. */
#define GRAINWAY_WRITE_WRITTEN 3u
/* How reading ended: `{"lines", "ended"}`. */
#define GRAINWAY_WRITE_END 4u
/* A stage's patch, JSON. */
#define GRAINWAY_WRITE_PATCH 5u
/* Why the call does not return OK: `{"message", "pointer", "what", "remedy"}`, only the first being needed. */
#define GRAINWAY_WRITE_REASON 6u
/* `create` is to make a dialect. */
#define GRAINWAY_MAKE_DIALECT 1u
/* `create` is to make a stage. */
#define GRAINWAY_MAKE_STAGE 2u
/* A workingstep begins: `number`, `text` its label. */
#define GRAINWAY_ITEM_STEP 1u
/* A cutter: `number`, `text` its id, `more` its label, flag BY_HAND. */
#define GRAINWAY_ITEM_CUTTER 2u
/* The spindle: flags ON and CLOCKWISE, `a` rev/min; without ON it stops. */
#define GRAINWAY_ITEM_SPINDLE 3u
/* The machine waits for the person: `text` says what for. */
#define GRAINWAY_ITEM_PAUSE 4u
/* A wait of `a` seconds. */
#define GRAINWAY_ITEM_DWELL 5u
/* A remark: `text`. */
#define GRAINWAY_ITEM_LABEL 6u
/* As high as the machine goes, else to `z`. */
#define GRAINWAY_ITEM_RETRACT 7u
/* Rapid move to `x`, `y`, `z`. */
#define GRAINWAY_ITEM_RAPID 8u
/* Cutting line to `x`, `y`, `z` at `feed`. */
#define GRAINWAY_ITEM_LINE 9u
/* Cutting arc about `x`, `y` by `a` radians (counter-clockwise positive), ending `z` higher than it began, at `feed`. */
#define GRAINWAY_ITEM_ARC 10u
/* Drilled hole at `x`, `y`: rapid to height `z`, at `feed` to `a`, in pecks of `b` where flag PECK is set, out to `z`. */
#define GRAINWAY_ITEM_HOLE 11u
/* The cutter is put in by hand before the program starts. */
#define GRAINWAY_ITEM_FLAG_BY_HAND 1u
/* The spindle turns. */
#define GRAINWAY_ITEM_FLAG_ON 2u
/* Seen from above. */
#define GRAINWAY_ITEM_FLAG_CLOCKWISE 4u
/* `b` holds a peck. */
#define GRAINWAY_ITEM_FLAG_PECK 8u
/* Rapid move. */
#define GRAINWAY_READ_RAPID 1u
/* Cutting line. */
#define GRAINWAY_READ_LINE 2u
/* Cutting arc: `centre`, `sweep` (never 0), `mismatch` of the radii. */
#define GRAINWAY_READ_ARC 3u
/* To the machine's top; the z of `to` may be infinite here and nowhere else. */
#define GRAINWAY_READ_RETRACT 4u
/* Waits for the person: `text`. Positions are unknown after it. */
#define GRAINWAY_READ_PAUSE 5u
/* A cutter was changed: READ_HAS_CUTTER and `cutter`. Positions are unknown after it. */
#define GRAINWAY_READ_CUTTER 6u
/* The spindle's state changed. */
#define GRAINWAY_READ_SPINDLE 7u
/* Waits `seconds`. */
#define GRAINWAY_READ_DWELL 8u
/* A workingstep begins: `number`. */
#define GRAINWAY_READ_STEP 9u
/* The program's end. */
#define GRAINWAY_READ_END 10u
/* Something the language does not allow: `code` (one of the description's `faults`), `text` one sentence. */
#define GRAINWAY_READ_FAULT 11u
/* The x of `from` is known; the flags of y and z are the next two bits. */
#define GRAINWAY_READ_HAS_FROM_X 1u
/* The y of `from` is known. */
#define GRAINWAY_READ_HAS_FROM_Y 2u
/* The z of `from` is known. */
#define GRAINWAY_READ_HAS_FROM_Z 4u
/* The x of `to` is known; the flags of y and z are the next two bits. */
#define GRAINWAY_READ_HAS_TO_X 8u
/* The y of `to` is known. */
#define GRAINWAY_READ_HAS_TO_Y 16u
/* The z of `to` is known. */
#define GRAINWAY_READ_HAS_TO_Z 32u
/* A feed is in force. */
#define GRAINWAY_READ_HAS_FEED 64u
/* The spindle turns. */
#define GRAINWAY_READ_HAS_SPINDLE 128u
/* It turns clockwise, seen from above. */
#define GRAINWAY_READ_CLOCKWISE 256u
/* The number of the cutter in the spindle is known. */
#define GRAINWAY_READ_HAS_CUTTER 512u

/* Bytes that are lent. `data` may be null when `len` is 0. */
struct grainway_bytes {
    /* The first byte. */
    const uint8_t *data;
    /* How many. */
    size_t len;
};

/* Numbers that are lent. */
struct grainway_numbers {
    /* The first number. */
    const double *data;
    /* How many. */
    size_t len;
};

/* A text by its place in the bytes that come with it. */
struct grainway_span {
    /* Its first byte. */
    uint32_t at;
    /* Its length in bytes. */
    uint32_t len;
};

/* One thing that a program is made of; the ITEM constants say which fields count. Fields that do not count are 0. */
struct grainway_item {
    /* One of the ITEM constants. */
    uint32_t kind;
    /* ITEM_FLAG bits. */
    uint32_t flags;
    /* A step's or a cutter's number. */
    uint32_t number;
    /* Always 0. */
    uint32_t reserved;
    /* A text of the batch. */
    grainway_span text;
    /* A second text of the batch. */
    grainway_span more;
    /* mm. */
    double x;
    /* mm. */
    double y;
    /* mm. */
    double z;
    /* Sweep, bottom, rev/min or seconds. */
    double a;
    /* Peck, mm. */
    double b;
    /* mm/min. */
    double feed;
};

/* A batch of items, lent until the next batch is asked for. `count` 0 is the end. */
struct grainway_items {
    /* The first item. */
    const grainway_item *items;
    /* How many. */
    size_t count;
    /* The texts that the items point into. */
    grainway_bytes texts;
};

/* What a controller would do at one place of a text; the READ constants say which fields count. */
struct grainway_read_move {
    /* Line of the text, from 1. */
    uint64_t line;
    /* One of the READ constants for kinds. */
    uint32_t kind;
    /* READ_HAS bits and READ_CLOCKWISE. */
    uint32_t flags;
    /* Where the cutter stood: x, y, z, mm. */
    double from[3];
    /* Where it stands after: x, y, z, mm. */
    double to[3];
    /* In force, mm/min. */
    double feed;
    /* In force, rev/min. */
    double rpm;
    /* Centre of an arc: x, y, mm. */
    double centre[2];
    /* Radians, counter-clockwise positive. */
    double sweep;
    /* | distance of the start from the centre − distance of the end |, mm. */
    double mismatch;
    /* Of a wait. */
    double seconds;
    /* Number of the cutter in the spindle. */
    uint32_t cutter;
    /* Number of a step. */
    uint32_t number;
    /* A message. */
    grainway_span text;
    /* A fault's code. */
    grainway_span code;
};

/* A batch of read moves; the host copies what it keeps before `receive` returns. */
struct grainway_read_moves {
    /* The first move. */
    const grainway_read_move *moves;
    /* How many. */
    size_t count;
    /* The texts that the moves point into. */
    grainway_bytes texts;
};

/* Takes bytes of one of the WRITE kinds; pieces of one kind are put one after the other. */
typedef int32_t (*grainway_write_fn)(void *context, uint32_t kind, grainway_bytes bytes);

/* Not 0 when the work is to stop. Ask at least every tenth of a second. */
typedef int32_t (*grainway_cancelled_fn)(void *context);

/* Lends the next batch of items. */
typedef int32_t (*grainway_items_fn)(void *context, grainway_items *batch);

/* Lends the next piece of the text that is to be read, until the next one is asked for; `len` 0 is the end. */
typedef int32_t (*grainway_read_fn)(void *context, grainway_bytes *piece);

/* Takes a batch of what was read. */
typedef int32_t (*grainway_receive_fn)(void *context, const grainway_read_moves *batch);

/* Lends a block of numbers by its name in the work, for the whole call. An unknown name gives CODE_REFUSED and ends nothing. */
typedef int32_t (*grainway_blob_fn)(void *context, grainway_bytes name, grainway_numbers *block);

/* What the host offers for one call. Callbacks that the call has no use for are null. */
struct grainway_host {
    /* Bytes of this struct. */
    size_t size;
    /* The host's major version. */
    uint32_t major;
    /* The host's minor version. */
    uint32_t minor;
    /* Handed back in every callback. */
    void *context;
    /* In every call but `destroy`. */
    grainway_write_fn write;
    /* In every call but `destroy`. */
    grainway_cancelled_fn cancelled;
    /* In `dialect_write`. */
    grainway_items_fn items;
    /* In `dialect_read`. */
    grainway_read_fn read;
    /* In `dialect_read`. */
    grainway_receive_fn receive;
    /* In `stage_run`. */
    grainway_blob_fn blob;
};

/* Writes the description. */
typedef int32_t (*grainway_describe_fn)(const grainway_host *host);

/* Makes an instance of a dialect or stage by its name, with its settings (JSON object), and stores it in `instance`. */
typedef int32_t (*grainway_create_fn)(const grainway_host *host, uint32_t what, grainway_bytes name, grainway_bytes settings, void **instance);

/* Ends an instance. Called once for each that was made. */
typedef int32_t (*grainway_destroy_fn)(void *instance);

/* Writes one program. `head` is JSON: `{"name", "number", "remarks": [...], "unit": "mm" or "in", "safe_z"}`. */
typedef int32_t (*grainway_dialect_write_fn)(void *instance, const grainway_host *host, grainway_bytes head);

/* Reads a program. */
typedef int32_t (*grainway_dialect_read_fn)(void *instance, const grainway_host *host);

/* Runs a stage over the work (JSON) and writes its patch. */
typedef int32_t (*grainway_stage_run_fn)(void *instance, const grainway_host *host, grainway_bytes work);

/* The exported function. */
typedef const grainway_plugin *(*grainway_entry_fn)(void);

/* What a plugin offers. Functions that it has no use for are null. */
struct grainway_plugin {
    /* `MAGIC`. */
    uint8_t magic[8];
    /* The major version that the plugin was built for. */
    uint32_t major;
    /* The minor version that the plugin was built for. */
    uint32_t minor;
    /* Bytes of this struct. */
    size_t size;
    /* Never null. */
    grainway_describe_fn describe;
    /* Never null. */
    grainway_create_fn create;
    /* Never null. */
    grainway_destroy_fn destroy;
    /* Null in a plugin without dialects. */
    grainway_dialect_write_fn dialect_write;
    /* Null in a plugin whose dialects cannot be read back. */
    grainway_dialect_read_fn dialect_read;
    /* Null in a plugin without stages. */
    grainway_stage_run_fn stage_run;
};

/* The function that a plugin exports. */
#if defined(__GNUC__)
__attribute__((visibility("default")))
#endif
const grainway_plugin *grainway_plugin_1(void);

#ifdef __cplusplus
}
#endif

#endif
