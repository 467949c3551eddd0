//! The table of rooms: which crate may need which, and every invariant of DEVELOPERS.md with its check. A sentence stands here as it
//! stands there; a test compares.

use crate::invariants::Check::{
    Apart, Arrows, Ban, Calls, Needs, NoCode, NoNames, Only, Test, TotalOrders, Unsafe,
};
use crate::invariants::{Check, Except, Invariant};

const GEOM: &str = "pipeline/geom/src/";
const NEST: &str = "pipeline/nest/src/";
const CORE: &str = "pipeline/core/src/";
const IMPORT: &str = "pipeline/import/src/";
const PLAN: &str = "stages/plan/src/";
const CHECK: &str = "stages/check/src/";
const CHAIN: &str = "stages/chain/src/";
const DIALECTS: &str = "plugins/dialects/src/";
const DIALECTS_AND_TRAIT: &[&str] = &[DIALECTS, "pipeline/core/src/dialect.rs"];
const HOST: &str = "plugins/host/src/";

const KNOW_HTTP: &[&str] = &["grainway-service", "grainway-client"];
const SERVE_HTTP: &[&str] = &["grainway-service"];
const KNOW_A_DATABASE: &[&str] = &["grainway-service"];
const HTTP: &[&str] = &["api/service/src/http/"];
const ASK_OTHERS: &[&str] = &["api/client/src/"];
const RUNNER: &[&str] = &["api/runner/src/"];
const JOB_PROCESS: &[&str] = &["api/runner/src/job_process.rs"];
/// The host's processes speak to each other by their standard output, and so does the one that holds a job.
const SPEAK: &[&str] = &[
    "api/command/src/",
    "api/runner/src/job_process.rs",
    "plugins/host/",
    "tests/",
];
/// What opens a native library or calls it.
const LOADING: &[&str] = &[
    "grainway_host::library::load",
    "grainway_host::loaded",
    "grainway_host::native::call",
    "grainway_host::conformance::run",
];

/// Crates of the workspace, each with those that its product may need.
pub const ARROWS: &[(&str, &[&str])] = &[
    ("grainway-geom", &[]),
    ("grainway-nest", &["grainway-geom"]),
    ("grainway-pipeline", &["grainway-geom"]),
    ("grainway-import", &["grainway-pipeline", "grainway-geom"]),
    (
        "grainway-plan",
        &[
            "grainway-import",
            "grainway-pipeline",
            "grainway-nest",
            "grainway-geom",
        ],
    ),
    (
        "grainway-check",
        &["grainway-import", "grainway-pipeline", "grainway-geom"],
    ),
    (
        "grainway-stages",
        &[
            "grainway-plan",
            "grainway-check",
            "grainway-import",
            "grainway-pipeline",
            "grainway-geom",
        ],
    ),
    ("grainway-dialects", &["grainway-pipeline", "grainway-geom"]),
    ("grainway-abi", &[]),
    ("grainway-sdk", &["grainway-abi"]),
    (
        "grainway-host",
        &[
            "grainway-abi",
            "grainway-dialects",
            "grainway-pipeline",
            "grainway-geom",
        ],
    ),
    (
        "grainway-runner",
        &[
            "grainway-stages",
            "grainway-host",
            "grainway-dialects",
            "grainway-pipeline",
            "grainway-geom",
        ],
    ),
    ("grainway-client", &["grainway-runner", "grainway-pipeline"]),
    (
        "grainway-service",
        &[
            "grainway-client",
            "grainway-runner",
            "grainway-stages",
            "grainway-host",
            "grainway-dialects",
            "grainway-pipeline",
        ],
    ),
    (
        "grainway",
        &[
            "grainway-service",
            "grainway-client",
            "grainway-runner",
            "grainway-stages",
            "grainway-host",
            "grainway-dialects",
            "grainway-pipeline",
        ],
    ),
    ("grainway-example-misbehaving", &["grainway-sdk"]),
    ("grainway-example-sentences", &["grainway-sdk"]),
    ("grainway-example-stage", &["grainway-sdk"]),
    ("grainway-shape", &[]),
    (
        "grainway-tests",
        &[
            "grainway-service",
            "grainway-client",
            "grainway-runner",
            "grainway-stages",
            "grainway-plan",
            "grainway-check",
            "grainway-import",
            "grainway-host",
            "grainway-dialects",
            "grainway-pipeline",
            "grainway-nest",
            "grainway-geom",
        ],
    ),
];

const FILES: &[&str] = &[
    "std::fs",
    "tokio::fs",
    "std::net",
    "std::process",
    "std::env",
    "std::os",
];
const TERMINAL: &[&str] = &[
    "print!",
    "println!",
    "eprint!",
    "eprintln!",
    "dbg!",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "std::io::IsTerminal",
];
const CLOCK: &[&str] = &[
    "std::time::Instant",
    "std::time::SystemTime",
    "std::thread::sleep",
    "jiff",
    "tokio::time",
];
const RANDOM: &[&str] = &[
    "getrandom",
    "uuid",
    "rand",
    "std::hash::RandomState",
    "std::collections::hash_map::RandomState",
];
const HASHED: &[&str] = &[
    "std::collections::HashMap",
    "std::collections::HashSet",
    "std::hash::DefaultHasher",
];

/// What makes plans and texts.
const MAKES: &[&str] = &[GEOM, NEST, CORE, IMPORT, PLAN, CHECK, CHAIN, DIALECTS];
const STAGE_CRATES: &[&str] = &[IMPORT, PLAN, CHECK, CHAIN];

/// Nothing in these folders names any of these.
const fn never(within: &'static [&'static str], never: &'static [&'static str]) -> Check {
    Ban {
        within,
        but: &[],
        never,
        except: &[],
    }
}

/// Every invariant, in the order of DEVELOPERS.md.
pub const INVARIANTS: &[Invariant] = &[
    Invariant {
        says: "does no I/O",
        by: &[
            never(&[GEOM, NEST, CORE], FILES),
            never(&[GEOM, NEST, CORE], TERMINAL),
        ],
    },
    Invariant {
        says: "reads no clock, uses no randomness",
        by: &[never(MAKES, CLOCK), never(MAKES, RANDOM)],
    },
    Invariant {
        says: "no order of a hash table reaches a result",
        by: &[never(MAKES, HASHED)],
    },
    Invariant {
        says: "names no stage and no dialect",
        by: &[NoNames {
            within: &[CORE, IMPORT, CHECK],
            except: &[
                Except {
                    file: "work/variant.rs",
                    what: "drill",
                    why: "the word for an operation",
                },
                Except {
                    file: "doc/shop.rs",
                    what: "drill",
                    why: "a kind of cutter",
                },
                Except {
                    file: "doc/job.rs",
                    what: "pocket",
                    why: "a kind of feature",
                },
                Except {
                    file: "doc/meaning.rs",
                    what: "relief",
                    why: "a key of the job",
                },
                Except {
                    file: "doc/meaning.rs",
                    what: "place",
                    why: "a key of the job",
                },
                Except {
                    file: "doc/lengths.rs",
                    what: "place",
                    why: "where a part lies, which no length counts on",
                },
            ],
        }],
    },
    Invariant {
        says: "a stage knows the work, not other stages",
        by: &[Apart {
            within: &[PLAN, CHAIN],
            except: &[
                Except {
                    file: "report/summary.rs",
                    what: "hold",
                    why: "a screw's length and pilot follow from the settings of hold",
                },
                Except {
                    file: "sequence/mod.rs",
                    what: "hold",
                    why: "a screw's length and pilot follow from the settings of hold",
                },
                Except {
                    file: "drawing/parts.rs",
                    what: "relief",
                    why: "the key of a feature in the job, not the stage",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "relief",
                    why: "hands check how far its setting lets a lobe reach",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "hold",
                    why: "hands check that a person vouches for what holds the wood, and the sizes of screws and clamps",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "fit",
                    why: "hands check the room that the fits of joints leave",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "place",
                    why: "hands check the margin of drawn boards and the size of stops",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "drawing",
                    why: "hands check how far bands run out over a part's edge",
                },
                Except {
                    file: "chain/src/verify.rs",
                    what: "mark",
                    why: "hands check the cutter of engraved lines that ask for none",
                },
            ],
        }],
    },
    Invariant {
        says: "knows no feature",
        by: &[never(
            &[IMPORT],
            &[
                "grainway_pipeline::doc::job::FeatureKind",
                "grainway_pipeline::work::part::Feature",
            ],
        )],
    },
    Invariant {
        says: "plan and check do not know each other",
        by: &[
            never(&[PLAN], &["grainway_check"]),
            never(&[CHECK], &["grainway_plan"]),
        ],
    },
    Invariant {
        says: "files only through `Cx::files`, texts only through `Cx::spool`",
        by: &[never(STAGE_CRATES, FILES), never(STAGE_CRATES, TERMINAL)],
    },
    Invariant {
        says: "post and verify see `&dyn Dialect` only",
        by: &[never(STAGE_CRATES, &["grainway_dialects"])],
    },
    Invariant {
        says: "no HTTP, no database, no shared library",
        by: &[
            Only {
                may: SERVE_HTTP,
                crates: &["axum", "hyper", "hyper-util", "tower", "tower-http"],
            },
            Only {
                may: KNOW_HTTP,
                crates: &["reqwest", "rustls"],
            },
            Only {
                may: KNOW_A_DATABASE,
                crates: &["sqlx", "object_store"],
            },
            Only {
                may: &["grainway-host"],
                crates: &["libloading"],
            },
        ],
    },
    Invariant {
        says: "a dialect never sees a part",
        by: &[never(
            DIALECTS_AND_TRAIT,
            &[
                "grainway_pipeline::work",
                "grainway_pipeline::doc::job",
                "grainway_pipeline::doc::shop",
            ],
        )],
    },
    Invariant {
        says: "writer and reader share the data file and nothing else",
        by: &[
            never(
                &["plugins/dialects/src/write"],
                &["grainway_dialects::read"],
            ),
            never(
                &["plugins/dialects/src/read"],
                &["grainway_dialects::write"],
            ),
            never(
                &["plugins/dialects/src/pen/write"],
                &["grainway_dialects::pen::read"],
            ),
            never(
                &["plugins/dialects/src/pen/read"],
                &["grainway_dialects::pen::write"],
            ),
        ],
    },
    Invariant {
        says: "neither the parent nor the keeper loads a library",
        by: &[
            Ban {
                within: &[""],
                but: &["plugins/host/src/library.rs"],
                never: &["libloading"],
                except: &[],
            },
            never(
                &[
                    "plugins/host/src/child",
                    "plugins/host/src/keep",
                    "plugins/host/src/store",
                    "plugins/host/src/installed",
                ],
                LOADING,
            ),
        ],
    },
    Invariant {
        says: "nothing is loaded from outside the store",
        by: &[Test(
            "host/store.rs",
            "a_changed_missing_or_linked_file_is_told_and_never_handed_out",
        )],
    },
    Invariant {
        says: "a library is never unloaded",
        by: &[Calls("plugins/host/src/library.rs", "std::mem::forget")],
    },
    Invariant {
        says: "nothing that it hands over is believed before it is checked",
        by: &[Test(
            "native/misbehaviour.rs",
            "each_misbehaviour_is_named_and_costs_its_call_only",
        )],
    },
    Invariant {
        says: "no process outlives its job",
        by: &[
            Test("host/child.rs", "processes_that_it_starts_end_with_it"),
            Test("host/child.rs", "a_killed_parent_takes_everything_with_it"),
        ],
    },
    Invariant {
        says: "the time of day is the caller's",
        by: &[never(&[HOST], &["std::time::SystemTime", "jiff"])],
    },
    Invariant {
        says: "no code, no dependency, no `std`",
        by: &[
            NoCode("plugins/abi/src/lib.rs"),
            Needs("grainway-abi", &[]),
            never(&["plugins/abi/src/"], &["std", "alloc"]),
        ],
    },
    Invariant {
        says: "the header is made from the types and sees what they see",
        by: &[
            Test("abi/tests/header.rs", "the_header_is_made_from_the_types"),
            Test(
                "abi/tests/header.rs",
                "a_c_compiler_sees_what_the_rust_compiler_sees",
            ),
        ],
    },
    Invariant {
        says: "within a major version only `Plugin` and `Host` grow, at their ends",
        by: &[Test(
            "abi/tests/header.rs",
            "a_table_of_version_1_0_has_the_size_that_is_said",
        )],
    },
    Invariant {
        says: "depends on `abi` and serde only",
        by: &[Needs(
            "grainway-sdk",
            &["grainway-abi", "serde", "serde_json"],
        )],
    },
    Invariant {
        says: "no panic leaves an entry",
        by: &[Test(
            "native/misbehaviour.rs",
            "each_misbehaviour_is_named_and_costs_its_call_only",
        )],
    },
    Invariant {
        says: "the two dialects write the same bytes",
        by: &[Test(
            "native/both.rs",
            "they_write_the_same_bytes_and_read_the_same_moves",
        )],
    },
    Invariant {
        says: "nothing here is shipped",
        by: &[Arrows],
    },
    Invariant {
        says: "the server process never loads a native plugin",
        by: &[Ban {
            within: &["api/"],
            but: JOB_PROCESS,
            never: LOADING,
            except: &[],
        }],
    },
    Invariant {
        says: "knows no HTTP, no database and no queue",
        by: &[Arrows, never(RUNNER, &["axum", "hyper", "reqwest", "sqlx"])],
    },
    Invariant {
        says: "prints nothing",
        by: &[Ban {
            within: RUNNER,
            but: JOB_PROCESS,
            never: TERMINAL,
            except: &[],
        }],
    },
    Invariant {
        says: "the modules that do the work do not know the ones that decide where it is done",
        by: &[never(
            &[
                "api/runner/src/chain_run.rs",
                "api/runner/src/text_check.rs",
            ],
            &[
                "grainway_runner::dispatch",
                "grainway_runner::plugin_process",
            ],
        )],
    },
    Invariant {
        says: "knows no database, no queue and no server",
        by: &[
            Arrows,
            never(&["api/client/src/"], &["axum", "hyper", "sqlx"]),
        ],
    },
    Invariant {
        says: "makes no job in its own process",
        by: &[never(
            &["api/service/src/"],
            &["grainway_runner::chain_run", "grainway_runner::text_check"],
        )],
    },
    Invariant {
        says: "reads no command line",
        by: &[never(
            &["api/service/src/"],
            &["std::env::args", "std::env::args_os", "clap"],
        )],
    },
    Invariant {
        says: "no crate depends on it",
        by: &[Arrows],
    },
    Invariant {
        says: "HTTP is served in `http` alone",
        by: &[Ban {
            within: &["api/"],
            but: HTTP,
            never: &["axum", "hyper", "hyper_util", "tower", "tower_http"],
            except: &[],
        }],
    },
    Invariant {
        says: "others are asked over HTTP in the client alone",
        by: &[Ban {
            within: &["api/"],
            but: ASK_OTHERS,
            never: &["reqwest"],
            except: &[
                Except {
                    file: "webhook_rules/sign.rs",
                    what: "reqwest::header",
                    why: "headers of a message that outgoing sends",
                },
                Except {
                    file: "webhook_rules/schedule.rs",
                    what: "reqwest::header",
                    why: "headers of an answer that outgoing got",
                },
            ],
        }],
    },
    Invariant {
        says: "only the plugin host and the crates of `api/` open files",
        by: &[Ban {
            within: &[""],
            but: &["api/", "plugins/host/", "tests/"],
            never: &["std::fs", "tokio::fs"],
            except: &[],
        }],
    },
    Invariant {
        says: "only the command and a job's process write to standard output and end a process",
        by: &[
            Ban {
                within: &[""],
                but: SPEAK,
                never: TERMINAL,
                except: &[],
            },
            Ban {
                within: &[""],
                but: SPEAK,
                never: &["std::process::exit", "std::process::abort"],
                except: &[],
            },
        ],
    },
    Invariant {
        says: "every one is ready by one command",
        by: &[Test("whole/samples.rs", "every_sample_is_ready")],
    },
    Invariant {
        says: "checked in, and a test compares",
        by: &[Test(
            "command/formats.rs",
            "the_schemas_checked_in_are_the_types",
        )],
    },
    Invariant {
        says: "`unsafe` stands in `plugins/` only",
        by: &[Unsafe(&["plugins/"])],
    },
    Invariant {
        says: "a crate needs only those to which an arrow leads",
        by: &[Arrows],
    },
    Invariant {
        says: "whatever sorts or picks compares by total orders, floats by `total_cmp`",
        by: &[TotalOrders],
    },
];
