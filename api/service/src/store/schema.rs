//! The tables, and how they came about: migrations by number, each applied once, in one transaction.
//!
//! To add tables or columns append an entry to [`MIGRATIONS`]; never change one that was released. Written for both databases:
//! `{int}`, `{real}`, `{serial}` and `{strict}` stand for what each calls them. A module of its own beside this one runs its queries on
//! `write.on()` between `Store::begin` and `Write::done` (or `Write::undone`), within `Store::call`; reads go to `inner.read`.

/// The migrations in order; the first has number 1.
pub(super) const MIGRATIONS: &[&str] = &[JOBS, WEBHOOKS, TOKENS, BY_STATE];

const JOBS: &str = "
CREATE TABLE job (
    id TEXT PRIMARY KEY NOT NULL,
    name TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'ready', 'withheld', 'failed', 'cancelled')),
    document TEXT NOT NULL,
    priority {int} NOT NULL,
    not_before {int} NOT NULL,
    in_hours {int} NOT NULL,
    source TEXT NOT NULL,
    batch TEXT,
    code TEXT NOT NULL,
    handed_by TEXT,
    replaces TEXT,
    replaced_by TEXT,
    created {int} NOT NULL,
    started {int},
    ended {int},
    attempts {int} NOT NULL DEFAULT 0,
    losses {int} NOT NULL DEFAULT 0,
    claims {int} NOT NULL DEFAULT 0,
    owner TEXT,
    lease_until {int},
    cancel_wanted {int} NOT NULL DEFAULT 0,
    stage TEXT,
    summary TEXT,
    version {int} NOT NULL DEFAULT 1,
    output TEXT,
    files_in TEXT NOT NULL,
    files_out TEXT NOT NULL DEFAULT '[]'
) {strict};
CREATE INDEX job_next ON job (priority DESC, id) WHERE state = 'queued';
CREATE INDEX job_open ON job (state, lease_until) WHERE state IN ('queued', 'running');
CREATE INDEX job_ended ON job (ended, id) WHERE ended IS NOT NULL;
CREATE INDEX job_batch ON job (batch, id) WHERE batch IS NOT NULL;
CREATE TABLE event (
    seq {serial},
    job TEXT NOT NULL,
    at {int} NOT NULL,
    what TEXT NOT NULL,
    state TEXT NOT NULL
) {strict};
CREATE INDEX event_job ON event (job, seq);
CREATE TABLE answer (
    caller TEXT NOT NULL,
    idempotency_key TEXT NOT NULL,
    request_sha256 TEXT NOT NULL,
    jobs TEXT NOT NULL,
    created {int} NOT NULL,
    PRIMARY KEY (caller, idempotency_key)
) {strict};
CREATE INDEX answer_created ON answer (created);
";

const WEBHOOKS: &str = "
CREATE TABLE webhook (
    id TEXT PRIMARY KEY NOT NULL,
    url TEXT NOT NULL,
    secret TEXT NOT NULL,
    old_secret TEXT,
    old_until {int},
    kinds TEXT NOT NULL,
    off TEXT,
    failing_since {int},
    held_until {int} NOT NULL DEFAULT 0,
    seen {int} NOT NULL,
    created {int} NOT NULL
) {strict};
CREATE TABLE delivery (
    id TEXT PRIMARY KEY NOT NULL,
    webhook TEXT NOT NULL REFERENCES webhook(id),
    seq {int},
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'delivered', 'failed')),
    attempts {int} NOT NULL,
    due {int} NOT NULL,
    created {int} NOT NULL,
    ended {int},
    status {int},
    why TEXT,
    UNIQUE (webhook, seq)
) {strict};
CREATE INDEX delivery_due ON delivery (webhook, state, due);
CREATE INDEX delivery_ended ON delivery (ended) WHERE ended IS NOT NULL;
";

const TOKENS: &str = "
CREATE TABLE token (
    id TEXT PRIMARY KEY NOT NULL,
    name TEXT NOT NULL,
    scope TEXT NOT NULL CHECK (scope IN ('read', 'submit', 'admin')),
    sha256 TEXT NOT NULL,
    created {int} NOT NULL,
    last_used {int}
) {strict};
";

/// Lists by state come newest first, and states are counted, without a look at the jobs themselves.
const BY_STATE: &str = "
CREATE INDEX job_state ON job (state, id);
";
