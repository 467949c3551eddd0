"""What the sheet and the lists say of programs, against the texts and what was found in them."""
import csv
import io
import re

import numpy as np
from shapely.geometry import Point, box

from documents import INCH
from setup import HEAD_MM

# Places on paper are rounded to a tenth of a millimetre, or to a thousandth of an inch or two.
ROUNDED_MM = 0.11


def judge_paper(report, lists, setups, programs, documents):
    """`setups`: by name, the judged setup and the pieces found in it."""
    faults = []
    say = lambda what, words: faults.append(f"paper: {what}: {words}")
    rows = {s["id"]: s for s in report["setups"]}
    if set(rows) != set(setups):
        say("setups", f"{sorted(rows)} on the sheet, {sorted(setups)} in the texts")
        return faults
    for name, (setup, pieces) in setups.items():
        of_setup(name, rows[name], setup, pieces, documents, say)
    for p in programs:
        if (p.says("code: ") or "?").split(",")[0] != report["code"]:
            say("code", f"{p.name} says {p.says('code: ')}, the sheet {report['code']}")
    names = [p["file"].split("/")[-1] for p in report["programs"]]
    if sorted(names) != sorted(p.name for p in programs) or [p["number"] for p in report["programs"]] != list(range(1, len(names) + 1)):
        say("programs", f"{names}")
    running_order(lists["running-order.csv"], setups, {p.name: p for p in programs}, documents, say)
    board_list(lists["boards.csv"], rows, setups, documents, say)
    return faults


def of_setup(name, row, setup, pieces, documents, say):
    if setup.stock is not None:
        readings = setup.wood.readings if setup.wood else (0, 0, 0)
        if row["stock"] != setup.stock or np.abs(np.subtract(row["thickness"], readings)).max() > 0.001:
            say("wood", f"{name}: {row['stock']} {row['thickness']}")
        if row["z-zero"] != documents.machine["z-zero"]:
            say("zero", f"{name}: {row['z-zero']}")
    if row["kind"] != setup.kind:
        say("kind", f"{name}: {row['kind']}")
    shown = sorted((p["piece"], *p["at"], p["angle"] % 360) for p in row["placements"])
    found = sorted((p.name, p.at.x, p.at.y, p.at.angle) for p in pieces)
    if len(shown) != len(found) or any(a[0] != b[0] or np.abs(np.subtract(a[1:], b[1:])).max() > ROUNDED_MM for a, b in zip(shown, found)):
        say("placements", f"{name}: {shown} on the sheet, {found} in the texts")
    for p in pieces:
        turned = row.get("turned")
        lies = p.part.id, p.at.side, p.at.over_end
        if (turned is not None) != (p.at.side != "face") or turned and (turned["part"], turned.get("up", "back"), turned["over-end"]) != lies:
            say("turned", f"{name}: {turned} on the sheet, {lies} in the text")
        if turned:
            control(name, turned.get("control"), p, say)
    heights = [p[2] for m in setup.cuts.moves if m.rapid for p in m.points if p[2] < 900]
    if heights and abs(max(heights) - row["safe-z"]) > 0.01:
        say("safe height", f"{name}: {row['safe-z']} on the sheet, {max(heights):.3f} in the texts")
    holds(name, row, setup, documents, say)
    for c in row["cutters"]:
        own = documents.cutters.get(c["id"])
        used = [p[2] for m in setup.cuts.moves if m.cutter is own and not m.rapid for p in m.points]
        if own is None or own.number != c["number"] or abs(own.diameter - c["diameter"]) > 0.001 or not used:
            say("cutters", f"{name}: {c['id']} {c['number']} {c['diameter']}")
        elif setup.stock is not None:
            top = setup.wood.highest_top if setup.wood else 0.0
            if abs(c["deepest"] - (top - min(used))) > 0.01:
                say("cutters", f"{name}: {c['id']} cuts {top - min(used):.3f} deep, the sheet says {c['deepest']}")
    if {c["id"] for c in row["cutters"]} != {m.cutter.id for m in setup.cuts.moves if not m.rapid}:
        say("cutters", f"{name}: {[c['id'] for c in row['cutters']]}")


def control(name, shown, p, say):
    """The measure that tells whether a turned piece lies right, to an edge of a recess of the side that lies below."""
    if shown is None:
        return
    below = [f.shape for f in p.part.of_side("face") if f.id == shown["feature"] or shown["feature"].startswith(f.kind + "@")]
    _, _, length, width = p.part.outline.bounds
    for shape in below:
        x0, y0, x1, y1 = p.at.place(p.part, shape).bounds
        edges = {"left end": (x0, x1), "right end": (length - x1, length - x0), "near edge": (y0, y1), "far edge": (width - y1, width - y0)}
        if any(abs(shown["distance"] - e) < ROUNDED_MM for e in edges.get(shown["from"], ())):
            return
    say("control measure", f"{name}: {shown}")


def holds(name, row, setup, documents, say):
    """Screws of pauses are those of the texts; whatever else holds stands clear of every cut."""
    driven = sorted(tuple(h["at"]) for h in row["holds"] if h.get("after-pause"))
    told = sorted((x, y) for x, y, _ in setup.screws)
    if len(driven) != len(told) or any(np.abs(np.subtract(a, b)).max() > ROUNDED_MM for a, b in zip(driven, told)):
        say("screws", f"{name}: {driven} on the sheet, {told} in the texts")
    top = setup.wood.top if setup.wood else 0.0
    reach = setup.cuts.below(top - 0.01, True)
    wide, deep = row["size"]
    for h in row["holds"]:
        if h.get("after-pause") or reach.tree is None:
            continue
        at = Point(h["at"])
        is_screw = "screw" in h["what"]
        head = at.buffer(HEAD_MM / 2) if is_screw else at
        if reach.into(head, 0.01) or is_screw and not box(0, 0, wide, deep).contains(at) or at.distance(box(0, 0, wide, deep)) > 60:
            say("holds", f"{name}: {h['what']} at {h['at']}")
    free = row.get("touch-off")
    if free and reach.tree is not None and reach.into(Point(free), 0):
        say("touch-off", f"{name}: {free}")


def running_order(text, setups, programs, documents, say):
    """Every row names the line of a step's remark, its own or that of a cut before it, and those of its later levels; every remark of a
    text that begins or goes on with a cut has its row."""
    rows = list(csv.DictReader(io.StringIO(text)))
    told = {(r["program"], int(line)) for r in rows for line in [r["restart-line"], *r["level-lines"].split()]}
    is_mark = lambda line: bool(re.search(r"[(\"]step \d+: ", line))
    marks = {(p.name, i) for p in programs.values() for i, line in enumerate(p.lines, 1) if is_mark(line)}
    begun = sum(bool(re.match(r"(step|cut) \d+: (?!go on)", r)) for p in programs.values() for r in p.remarks)
    if told != marks or len(rows) != begun:
        say("running order", f"{len(rows)} rows of {begun} cuts, lines {sorted(told ^ marks)}")
    depth = next((k for k in rows[0] if k.startswith("depth-")), None) if rows else None
    scale = INCH if depth == "depth-in" else 1.0
    for row in rows:
        program = programs.get(row["program"])
        lines = program.lines if program else []
        label = (f"{row['piece']} / " if row["piece"] else "") + row["feature"]
        own = [i for i, line in enumerate(lines, 1) if re.search(rf"[(\"](?:step|cut) {row['cut']}: ", line)]
        at = int(row["restart-line"])
        levels = [int(line) for line in row["level-lines"].split()]
        # The last mark up to where the cut begins; a long remark goes on in the next line.
        last = max((i for i in range(1, (own or [0])[0] + 1) if is_mark(lines[i - 1])), default=0)
        if not own or label[:50] not in lines[own[0] - 1] or at != last or levels != [i for i in own[1:] if is_mark(lines[i - 1])]:
            say("running order", f"{row['program']} lines {at}, {levels}: cut {row['cut']}, {label}, the text says {last}, {own}")
            continue
        setup, _ = setups.get(row["setup"], (None, None))
        moves = [m for m in program.moves if m.step.startswith(f"{row['cut']}: ") and not m.rapid]
        if setup not in [s for s, _ in setups.values() if program in s.programs] or any(m.cutter.id != row["cutter"] for m in moves):
            say("running order", f"{row['program']}: cut {row['cut']} with {row['cutter']} in {row['setup']}")
        top = setup.wood.top if setup and setup.wood else 0.0
        low = min((p[2] for m in moves for p in m.points), default=top)
        if abs(float(row[depth]) * scale - (top - low)) > 0.02:
            say("running order", f"cut {row['cut']} of {row['setup']} is {top - low:.3f} deep, the list says {row[depth]}")


def board_list(text, shown, setups, documents, say):
    rows = {r["setup"]: r for r in csv.DictReader(io.StringIO(text))}
    if set(rows) != set(setups):
        say("board list", f"{sorted(rows)}")
        return
    for name, row in rows.items():
        setup, pieces = setups[name]
        programs = " ".join("programs/" + p.name for p in setup.programs)
        key = next(k for k in row if k.startswith("length-"))
        scale = INCH if key == "length-in" else 1.0
        size = float(row[key]) * scale, float(row[key.replace("length", "width")]) * scale
        wrong = row["stock"] != (setup.stock or "") or int(row["pieces"]) != len(pieces) or row["programs"] != programs
        if wrong or int(row["count"]) != shown[name]["repeats"] or np.abs(np.subtract(size, shown[name]["size"])).max() > 0.05:
            say("board list", f"{name}: {dict(row)}")
