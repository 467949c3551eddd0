"""An independent judge of program texts. It reads the job, the shop, the drawings and the texts, and nothing that the programs were
made with: cutters are swept, pieces are found by the kerfs round them, and each part × count must be there exactly once with its
outline and every feature at its place and depth.

Cases come as JSON lines on standard input: {"id", "job", "folder", "programs": [[name, text], ...], "report": report.json, "lists": {name:
text}}; how often a blank is machined and what board is put on is what the sheet says. Each is answered by {"id", "faults": [...]}; a fault begins with its kind and a colon.
"""
import json
import re
import sys
from collections import Counter

from documents import Documents
from paper import judge_paper
from setup import Setup
from texts import Unreadable, read


def judge(case, documents):
    programs = [read(name, text, documents) for name, text in sorted(case["programs"])]
    by_setup = {}
    for p in programs:
        name = (p.says("setup: ") or "?").split(",")[0]
        by_setup.setdefault(name, []).append(p)
    judged = {}
    faults, made, called, drawn = [], Counter(), Counter(), {}
    used = {}
    for name, own in by_setup.items():
        setup = Setup(name, own, documents)
        shown = next((s for s in case["report"]["setups"] if s["id"] == name), {})
        repeats = shown.get("repeats", 1)
        pieces = setup.judge()
        setup.heads()
        judged[name] = setup, pieces
        faults += setup.faults
        for p in pieces:
            faults += [f"{f} in {name}" for f in p.faults]
            made[p.part.id, p.at.side] += repeats
            called[p.name, p.at.side] += 1
            if p.part.drawn_at and p.at.cut_out:
                drawing, dx, dy = p.part.drawn_at
                here, there = drawn.setdefault((name, drawing), ([], []))
                here.append((p.at.x, p.at.y))
                there.append((dx, dy))
        if setup.kind == "board" and setup.stock in documents.stocks:
            faults += boards(name, setup, pieces, shown, repeats, used, documents)
    for part in documents.parts:
        for side in part.sides():
            if made[part.id, side] != part.count:
                what = part.id if side == "face" else f"{part.id}, {side} up,"
                faults.append(f"count: {what} is made {made[part.id, side]} times, wanted {part.count} times")
    for (name, _), (here, there) in drawn.items():
        # Parts that are alike may stand for each other.
        rounded = lambda p: [round(v, 1) for v in p]
        shifts = [(x - dx, y - dy) for (x, y), (dx, dy) in zip(sorted(here, key=rounded), sorted(there, key=rounded))]
        if any(abs(a - b) > 0.05 for s in shifts for a, b in zip(s, shifts[0])):
            faults.append(f"drawn layout: {name} does not keep the drawing's places")
    faults += labels(called, programs, documents)
    return faults + judge_paper(case["report"], case["lists"], judged, programs, documents)


def boards(name, setup, pieces, shown, repeats, used, documents):
    """The pieces lie on a board that the documents have and that is not used up."""
    low, high = [], []
    for p in pieces:
        x0, y0, x1, y1 = p.at.place(p.part, p.part.outline).bounds
        low += [x0, y0]
        high.append((x1, y1))
    if min(low, default=0) < 0:
        return [f"board: {name}: a piece lies over its edge"]
    need = [max((p[i] for p in high), default=0) for i in (0, 1)]
    available = documents.stocks[setup.stock][3]
    for i, (length, width, count) in enumerate(available):
        left = count - used.get((setup.stock, i), 0)
        if left >= repeats and need[0] <= length + 1e-6 and need[1] <= width + 1e-6:
            used[setup.stock, i] = used.get((setup.stock, i), 0) + repeats
            size = shown.get("size")
            # The board under a drawn layout is as large as the drawing and a margin.
            as_drawn = any(p.part.drawn_at for p in pieces)
            if size and not as_drawn and max(abs(size[0] - length), abs(size[1] - width)) > 0.1:
                return [f"board: {name}: the sheet says {size}, the shop {length} x {width}"]
            if size and (size[0] < need[0] or size[1] < need[1]):
                return [f"board: {name}: the pieces need more than the {size} that the sheet says"]
            return []
    return [f"board: {name}: no board of {setup.stock} is left that holds its pieces"]


def labels(called, programs, documents):
    """Steps name the job's pieces, each piece by a name of its own, and the features that were asked for."""
    faults = []
    features = {}
    for part in documents.parts:
        for i in range(1, 1 + part.count):
            name = part.id + (f"#{i}" if i > 1 else "")
            features[name] = {"outline"} | {f.id for f in part.features}
            for side in part.sides():
                # Equal blanks share their programs.
                on_board = side == "face" and not part.dimensioned
                if (i == 1 or on_board) and called[name, side] != 1:
                    faults.append(f"label: {called[name, side]} pieces are called {name}, {side} up")
    for p in programs:
        for remark in p.remarks:
            found = re.match(r"(?:step|cut) \d+: (?:go on with )?(\S+) / (.*)", remark)
            # A drawn feature is called by its kind and place.
            if found and found.group(2).split("@")[0] not in features.get(found.group(1), ()):
                faults.append(f"label: {p.name}: {remark}")
    return faults


def main():
    known = {}
    for line in sys.stdin:
        case = json.loads(line)
        key = json.dumps([case["job"], case["folder"]])
        if key not in known:
            known[key] = Documents(case["job"], case["folder"])
        documents = known[key]
        try:
            faults = judge(case, documents)
        except Unreadable as e:
            faults = [f"unreadable: {e}"]
        except Exception as e:
            # What the judge cannot make sense of is not right; the next case is judged all the same.
            faults = [f"not understood: {type(e).__name__}: {e}"]
        print(json.dumps({"id": case["id"], "faults": faults}), flush=True)


main()
