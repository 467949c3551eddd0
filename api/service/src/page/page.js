"use strict";
// The page of the queue: what the API says, as a person wants to see it. Texts come from documents and are never taken for markup.

const KEPT = "grainway-token";
const LOOK = 2000;
const PAGE = 50;
const OPEN = "queued,running";
const $ = (id) => document.getElementById(id);
let token = sessionStorage.getItem(KEPT) || "";
let chosen = named(location.hash.slice(1));
let shown = "";
let many = PAGE;
let pictures = [];

/** What an address names; one that is cut off in the middle of a letter names nothing. */
function named(text) {
  try { return decodeURIComponent(text); } catch { return ""; }
}

/** An element with attributes and children; strings become text. */
function el(name, attributes, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value != null) made.setAttribute(key, value);
  }
  made.append(...children.filter((c) => c != null));
  return made;
}

/** Asks the API. What it refuses comes as an error with the problem document. */
async function ask(path, options = {}) {
  const headers = new Headers(options.headers);
  if (token) headers.set("Authorization", `Bearer ${token}`);
  const answer = await fetch(path, { ...options, headers, cache: "no-store" });
  $("token-form").hidden = answer.status !== 401;
  if (!answer.ok) {
    const problem = await answer.json().catch(() => ({}));
    throw Object.assign(new Error(problem.detail || problem.title || `the server answered ${answer.status}`), { problem });
  }
  return answer;
}
const json = async (path, options) => (await ask(path, options)).json();

const when = (ms) => (ms ? new Date(ms).toLocaleString([], { dateStyle: "short", timeStyle: "short" }) : "");
const lasts = (s) => (s >= 3600 ? `${Math.floor(s / 3600)} h ${Math.round((s % 3600) / 60)} min` : s >= 60 ? `${Math.round(s / 60)} min` : `${Math.round(s)} s`);

function why(job) {
  if (job.state === "running") return job.stage ? `at ${job.stage}` : "begins";
  if (job.state === "queued") return job["not-before"] ? `not before ${when(job["not-before"])}` : "waits for a worker";
  return job.summary ? job.summary.sentence : "";
}

/** The list. Buttons stay where they are, so that the keyboard's place is not lost. */
async function list() {
  const only = $("only").value;
  const jobs = await json(`v1/jobs?limit=${many}${only ? `&state=${only}` : ""}`);
  const open = jobs.filter((j) => j.state === "queued" || j.state === "running").length;
  const some = open === many ? `${open} or more` : open;
  const waits = only && only !== OPEN ? "" : open ? `${some} waiting or running, ` : "nothing waits, ";
  $("line").textContent = `${waits}looked at ${new Date().toLocaleTimeString()}`;
  $("none").textContent = only ? "There are no such jobs." : "There are no jobs.";
  $("none").hidden = jobs.length > 0;
  $("more").hidden = jobs.length < many;
  const old = new Map([...$("jobs").children].map((li) => [li.dataset.id, li]));
  const items = jobs.map((job) => {
    const li = old.get(job.id) || el("li", { "data-id": job.id });
    const state = `${job.version} ${job.stage || ""} ${job.id === chosen}`;
    if (li.dataset.state !== state) {
      li.dataset.state = state;
      const had = li.contains(document.activeElement);
      const button = el("button", { type: "button", "aria-pressed": String(job.id === chosen), onclick: () => choose(job.id) },
        el("span", { class: `state ${job.state}` }, job.state),
        el("span", { class: "name" }, job.name),
        el("span", { class: "code" }, job.code),
        el("span", { class: "when" }, `handed in ${when(job.created)}`),
        el("span", { class: "why" }, job["replaced-by"] ? el("span", { class: "stale" }, "stale, replaced: ") : null, why(job)));
      li.replaceChildren(button);
      if (had) button.focus();
    }
    return li;
  });
  if (items.some((li, i) => $("jobs").children[i] !== li) || items.length !== $("jobs").children.length) $("jobs").replaceChildren(...items);
}

function choose(id) {
  chosen = id;
  shown = "";
  history.replaceState(null, "", `#${encodeURIComponent(id)}`);
  refresh().then(() => {
    const title = $("job").querySelector("h2");
    if (title) title.focus();
    $("job").scrollIntoView({ block: "start" });
  });
}

/** Saves a file: with a token a plain link would come without it. */
async function save(path, name) {
  const blob = await (await ask(path)).blob();
  const url = URL.createObjectURL(blob);
  el("a", { href: url, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}

const fileAt = (id, name) => `v1/jobs/${id}/files/${name.split("/").map(encodeURIComponent).join("/")}`;

function told(error) {
  const more = (error.problem && error.problem.problems) || [];
  $("said").replaceChildren(el("p", { class: "failed" }, error.message),
    more.length ? el("ul", {}, ...more.slice(0, 100).map((p) => el("li", {}, [p.row ? `row ${p.row}${p.column ? `, ${p.column}` : ""}` : p.pointer, p.message, p.remedy].filter(Boolean).join(": ")))) : null);
}

let acting = false;

/** Does what a button asks for; a second press meanwhile asks for nothing. */
async function act(work) {
  if (acting) return;
  acting = true;
  $("said").replaceChildren();
  try {
    await work();
    await refresh();
  } catch (error) {
    told(error);
    $("said").scrollIntoView({ block: "center" });
  } finally {
    acting = false;
  }
}

function table(head, rows) {
  return el("div", { class: "wide" }, el("table", {}, el("thead", {}, el("tr", {}, ...head.map((h) => el("th", { scope: "col" }, h)))),
    el("tbody", {}, ...rows.map((r) => el("tr", {}, ...r.map((c) => el("td", {}, c)))))));
}

/** A picture as an address for an image: there no script of it runs. */
async function pictureOf(path) {
  const url = URL.createObjectURL(new Blob([await (await ask(path)).arrayBuffer()], { type: "image/svg+xml" }));
  pictures.push(url);
  return url;
}

/** One job, when it is another one or has changed. */
async function detail() {
  const place = $("job");
  place.hidden = !chosen;
  if (!chosen) return;
  const job = await json(`v1/jobs/${encodeURIComponent(chosen)}`);
  const state = `${job.id} ${job.version}`;
  if (state === shown || place.contains(document.activeElement) && shown.startsWith(job.id) && ["INPUT", "SELECT"].includes(document.activeElement.tagName)) return;
  shown = state;
  const ended = !["queued", "running"].includes(job.state);
  const files = ended ? await json(`v1/jobs/${job.id}/files`).then((f) => f.files || f) : [];
  const report = files.some((f) => f.name === "report.json") ? await json(fileAt(job.id, "report.json")) : null;
  pictures.splice(0).forEach(URL.revokeObjectURL);
  const post = (path, body) => act(async () => {
    const sent = body ? { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) } : { method: "POST" };
    const made = await json(`v1/jobs/${job.id}/${path}`, sent);
    place.querySelector("h2").focus();
    if (made.id && made.id !== job.id) choose(made.id);
  });
  const parts = [
    el("h2", { tabindex: "-1" }, job.name),
    el("p", {}, el("span", { class: `state ${job.state}` }, job.state), ` ${why(job)}`),
    job["replaced-by"] ? el("p", { class: "stale" }, "Stale: do not run these programs. ", el("button", { type: "button", onclick: () => choose(job["replaced-by"]) }, "Show the job that replaced them")) : null,
    el("p", {}, "Code ", el("b", { class: "code" }, job.code), job["replaced-by"] ? "" : ": sheet and programs with this code belong together", `. Handed in ${when(job.created)}`, job.ended ? `, ended ${when(job.ended)}` : "", "."),
    el("div", { class: "row" },
      ended ? null : el("button", { type: "button", disabled: job["cancel-wanted"], onclick: () => post("cancel") }, job["cancel-wanted"] ? "Being stopped" : "Stop this job"),
      ["withheld", "failed", "cancelled"].includes(job.state) ? el("button", { type: "button", onclick: () => post("retry") }, "Make it once more") : null,
      files.length ? el("button", { type: "button", onclick: () => act(() => save(`v1/jobs/${job.id}/files.zip`, `${job.code}${job["replaced-by"] ? "-STALE" : ""}.zip`)) }, "All files as zip") : null,
      ...["setup-sheet.pdf", "setup-sheet.html"].filter((n) => files.some((f) => f.name === n)).map((n) => el("button", { type: "button", onclick: () => act(() => save(fileAt(job.id, n), `${job.code}-${n}`)) }, n === "setup-sheet.pdf" ? "Setup sheet (PDF)" : "Setup sheet (HTML)"))),
  ];
  if (report) {
    if (report.findings.length) {
      parts.push(el("h3", {}, "Findings"), table(["", "Where", "What, and what to do"], report.findings.map((f) => [f.severity, [f.part, f.feature, f.setup].filter(Boolean).join(", "), [f.message, f.remedy].filter(Boolean).join(" ")])));
    }
    if (report.programs.length) {
      const word = (v) => (v ? (v.passed ? "passed" : "not passed") : "not checked");
      const figures = (v) => (v ? v.figures.filter((f) => f.value != null).map((f) => `${f.layer}: ${f.what} ${f.value} ${f.unit}${f.limit != null ? ` (limit ${f.limit})` : ""}${f.exact ? "" : ", on the safe side"}`).join("; ") : "");
      parts.push(el("h3", {}, "Programs and checks"), el("p", {}, report.means), table(["Program", "As planned", "Safe", "Time", "Figures"], report.programs.map((p) => {
        const name = !job["replaced-by"] && files.some((f) => f.name === p.file) ? el("button", { type: "button", onclick: () => act(() => save(fileAt(job.id, p.file), p.file.split("/").pop())) }, p.file) : p.file;
        return [name, word(p["as-planned"]), word(p.safe), lasts(p.seconds), el("details", {}, el("summary", {}, "figures"), figures(p["as-planned"]), " ", figures(p.safe))];
      })));
    }
    if (report.costs) parts.push(...costs(job, report, report.costs));
    if (job.state === "ready" && !job["replaced-by"] && report.wood.length) parts.push(measured(job, report, post), remake(job, report, post));
    const drawn = files.filter((f) => f.name.startsWith("pictures/"));
    if (drawn.length) {
      const box = el("div", { class: "pictures" });
      parts.push(el("h3", {}, "Pictures"), box);
      for (const f of drawn) {
        const name = f.name.split("/").pop().replace(/\.svg$/, "");
        const picture = el("img", { alt: `Picture of ${name}` });
        box.append(el("figure", {}, picture, el("figcaption", {}, name)));
        pictureOf(fileAt(job.id, f.name)).then((url) => { picture.src = url; }, () => { picture.alt = `The picture of ${name} could not be fetched`; });
      }
    }
  }
  if (files.length) {
    parts.push(el("details", {}, el("summary", {}, `${files.length} files`), el("ul", {}, ...files.map((f) => el("li", {}, job["replaced-by"] && f.name.startsWith("programs/") ? `${f.name}, stale` : el("button", { type: "button", onclick: () => act(() => save(fileAt(job.id, f.name), f.name.split("/").pop())) }, f.name), ` ${f.bytes} bytes`)))));
  }
  const had = place.contains(document.activeElement);
  place.replaceChildren(...parts.filter(Boolean));
  // The keyboard's place is not lost with the button that had it.
  if (had) place.querySelector("h2").focus();
}

/** What it costs: wood, boards, hours, price, and behind a button the share of each part. */
function costs(job, report, c) {
  const money = (m) => `${m.toFixed(2)} ${c.currency}`;
  const priced = (price, m) => (price == null ? "no price" : money(m));
  const at = (price, unit) => (price == null ? "" : `, at ${money(price)} ${unit}`);
  const some = (n, word) => (n ? [`${n} ${word}${n > 1 ? "s" : ""}`] : []);
  const called = new Map(report.parts.map((p) => [p.id, p.name || p.id]));
  const number = (text) => el("span", { class: "amount" }, text);
  const rows = [
    ...c.wood.map((w) => [`Wood, ${w.stock}`, `${[...some(w.boards, "board"), ...some(w.blanks, "blank")].join(" and ")}, ${w.area} m², ${w.litres} litres, of which ${w["net-litres"]} become parts${at(w.price, `per ${w.unit}`)}`, number(priced(w.price, w.cost))]),
    ["Machine", `about ${lasts(c.machine.seconds)}${at(c.machine.hour, "an hour")}`, number(priced(c.machine.hour, c.machine.cost))],
    ...(c.hand.seconds ? [["By hand", `${lasts(c.hand.seconds)}${at(c.hand.hour, "an hour")}: ${c.hand.counted.map((h) => `${h.times} × ${h.what}`).join(", ")}`, number(priced(c.hand.hour, c.hand.cost))]] : []),
    ...(c.surcharge ? [["Surcharge", `${c["surcharge-percent"]} %`, number(money(c.surcharge))]] : []),
    [el("b", {}, c.missing ? "Price, incomplete" : "Price"), c.sets > 1 ? `${c.sets} sets, ${money(c["per-set"])} a set` : "", el("b", {}, number(money(c.total)))],
  ];
  return [
    el("h3", {}, "What it costs"),
    job.state === "ready" ? null : el("p", { class: "withheld" }, "The price of a job that cannot be cut yet."),
    el("p", {}, c.basis),
    table(["", "How much", "Cost"], rows),
    c.missing ? el("ul", {}, ...c.missing.map((m) => el("li", { class: "withheld" }, `Not in the price: ${m}`))) : null,
    el("details", {}, el("summary", {}, "Shares of the parts"), table(["Part", "How many", "Together", "Each"], c.parts.map((p) => [called.get(p.part) || p.part, String(p.count), number(money(p.total)), number(money(p.each))]))),
  ];
}

function measured(job, report, post) {
  const present = (name) => report.setups.find((s) => s.stock === name).thickness[1];
  const stock = el("select", { id: "stock" }, ...report.wood.map((w) => el("option", { value: w.stock }, `${w.stock}, now ${present(w.stock).toFixed(2)} mm`)));
  const thickness = el("input", { id: "thickness", required: true, placeholder: "21.7mm", size: 10, inputmode: "text" });
  const confirmed = el("input", { id: "confirmed", type: "checkbox" });
  const reading = (t) => confirmed.checked ? { thickness: t.trim(), confirmed: true } : t.trim();
  return el("form", { onsubmit: (e) => { e.preventDefault(); post("measured", { thickness: { [stock.value]: thickness.value.split(",").map(reading) } }); } },
    el("h3", {}, "Measured again"), el("div", { class: "row" },
      el("div", {}, el("label", { for: "stock" }, "Stock"), stock),
      el("div", {}, el("label", { for: "thickness" }, "Thickness, with unit"), thickness),
      el("div", { class: "tick" }, confirmed, el("label", { for: "confirmed" }, "Measured twice: it is right although it is unlikely")), el("button", {}, "Make new programs")),
    el("p", {}, "These programs are stale as soon as the new ones are ready. Several readings have commas between them."));
}

function remake(job, report, post) {
  const part = el("select", { id: "part" }, ...report.parts.map((p) => el("option", { value: p.id }, p.name || p.id)));
  const count = el("input", { id: "count", type: "number", min: 1, value: 1, required: true });
  return el("form", { onsubmit: (e) => { e.preventDefault(); post("remake", { parts: { [part.value]: Number(count.value) } }); } },
    el("h3", {}, "One part again"), el("div", { class: "row" },
      el("div", {}, el("label", { for: "part" }, "Part"), part), el("div", {}, el("label", { for: "count" }, "How many"), count), el("button", {}, "Make it alone")));
}

/** Hands files in: a zip or a list as it is, everything else as one form. */
async function handIn(files) {
  if (!files.length) return;
  const key = { "Idempotency-Key": crypto.randomUUID ? crypto.randomUUID() : `${Date.now()}-${Math.random()}` };
  const one = files.length === 1 ? files[0] : null;
  const list = one && /\.(csv|xlsx)$/i.test(one.name);
  let options;
  if (one && /\.zip$/i.test(one.name)) {
    options = { method: "POST", headers: { ...key, "Content-Type": "application/zip" }, body: one };
  } else {
    const form = new FormData();
    for (const file of files) form.append(list ? "list" : "file", file, file.name);
    options = { method: "POST", headers: key, body: form };
  }
  const taken = await json(list || [...files].some((f) => /\.(csv|xlsx)$/i.test(f.name)) ? "v1/lists" : "v1/jobs", options);
  const first = taken.id ? taken : (taken.jobs || [])[0];
  $("files").value = "";
  if (first) choose(first.id);
}

async function refresh() {
  try {
    await list();
    await detail();
  } catch (error) {
    $("line").textContent = error.problem ? error.message : "The server cannot be reached; looking again.";
  }
}

$("token-form").addEventListener("submit", (e) => {
  e.preventDefault();
  token = $("token").value.trim();
  sessionStorage.setItem(KEPT, token);
  $("token").value = "";
  refresh();
});
$("hand-in").addEventListener("submit", (e) => { e.preventDefault(); act(() => handIn($("files").files)); });
$("only").addEventListener("change", () => { many = PAGE; refresh(); });
$("more").addEventListener("click", () => { many = Math.min(1000, many + PAGE); refresh(); });
$("night").addEventListener("click", (e) => { if (token) { e.preventDefault(); act(() => save("v1/night-report?as=html", "night-report.html")); } });
for (const kind of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(kind, (e) => {
    e.preventDefault();
    document.body.classList.toggle("over", kind === "dragover");
    if (kind === "drop") act(() => handIn(e.dataTransfer.files));
  });
}
async function live() {
  if (!document.hidden) await refresh();
  setTimeout(live, LOOK);
}
live();
