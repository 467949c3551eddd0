"""Program texts as a controller reads them: RS-274 as NISTIR 6556 has it, and the plotter's pen language, as far as samples use them."""
import math
import re
from dataclasses import dataclass, field

import numpy as np

from documents import INCH, chords

# Where a machine goes that is sent to its top.
TOP = 1000.0


class Unreadable(Exception):
    pass


@dataclass
class Move:
    """From one place to another along points (x, y, z)."""

    rapid: bool
    points: list
    cutter: object
    line: int
    step: str
    after_pauses: int


@dataclass
class Program:
    name: str
    remarks: list = field(default_factory=list)
    moves: list = field(default_factory=list)
    # Remarks at pauses.
    pauses: list = field(default_factory=list)
    lines: list = field(default_factory=list)

    def says(self, start):
        """What follows these words in a remark of the head; remarks that a line is too short for go on in the next."""
        for r in joined(self.remarks):
            if r.startswith(start):
                return r[len(start) :]
        return None


def joined(remarks):
    """Remarks with their continuations: one that ends in the middle of a sentence goes on."""
    starts = ("job:", "code:", "setup:", "cutter", "zero:", "wood:", "piece:", "Checked", "Before", "Run first", "step", "cut", "Drive", "Drill", "MSG,", "pen heights:")
    out = []
    for r in remarks:
        if out and not r.startswith(starts):
            out[-1] += " " + r
        else:
            out.append(r)
    return out


def begun(remark):
    """The number and the name of the cut that a remark begins or goes on with."""
    found = re.match(r"(?:step|cut) (\d+: )(?:go on with )?(.*)", remark)
    return found.group(1) + found.group(2) if found else None


def read(name, text, documents):
    return pen(name, text, documents) if text.startswith('CO"') else blocks(name, text, documents)


def cutter_in_words(words, documents):
    """The cutter that a remark such as "cutter mill-4 [number 2]: 4 mm end mill, up-cut" names."""
    found = re.match(r"cutter (\S+) \[number (\d+)\]: ([\d.]+) (mm|in) ", words)
    if not found:
        return None
    name, number, diameter, unit = found.groups()
    cutter = documents.cutters.get(name)
    if cutter is None or cutter.number != int(number):
        raise Unreadable(f"cutter: the text names {words}, which the shop does not have")
    check_diameter(cutter, diameter, unit, words)
    return cutter


def check_diameter(cutter, diameter, unit, words):
    if abs(float(diameter) * (INCH if unit == "in" else 1) - cutter.diameter) > 0.02:
        raise Unreadable(f"cutter: the text says {words}, the shop {cutter.diameter} mm")


def check_speed(rpm, cutter, documents, place):
    machine = documents.machine
    most = min(machine["max-rpm"], cutter.max_rpm if cutter else machine["max-rpm"])
    if not machine["min-rpm"] <= rpm <= most:
        raise Unreadable(f"{place}: {rpm:.0f} rev/min")


def numbered(number, documents):
    for cutter in documents.cutters.values():
        if cutter.number == number:
            return cutter
    raise Unreadable(f"cutter: the shop has no number {number}")


def blocks(name, text, documents):
    program = Program(name, lines=text.splitlines())
    scale, motion, spindle, feed, cutter, tool = 1.0, None, False, None, None, None
    at = [None, None, None]
    step, hole = "", {}
    last_remarks = []

    def go(rapid, points, number):
        if not rapid and not (spindle or documents.machine.get("spindle") == "hand"):
            raise Unreadable(f"{name} line {number}: a cut with the spindle at rest")
        if not rapid and not feed:
            raise Unreadable(f"{name} line {number}: a cut without a feed")
        if not rapid and feed > documents.max_feed * 1.001:
            raise Unreadable(f"{name} line {number}: a feed of {feed:.0f} mm/min")
        if None not in at:
            program.moves.append(Move(rapid, [tuple(at)] + points, cutter, number, step, len(program.pauses)))
        elif not rapid:
            raise Unreadable(f"{name} line {number}: a cut from an unknown place")
        at[:] = points[-1]

    for number, line in enumerate(text.splitlines(), 1):
        for remark in re.findall(r"\(([^)]*)\)", line):
            program.remarks.append(remark)
            last_remarks.append(remark)
            step = begun(remark) or step
            found = re.match(r"cutter (\d+): ([\d.]+) (mm|in) ", remark)
            if found:
                named = numbered(int(found.group(1)), documents)
                check_diameter(named, found.group(2), found.group(3), remark)
                if documents.machine["cutter-change"] != "machine":
                    if cutter not in (None, named):
                        raise Unreadable(f"{name} line {number}: another cutter than the head's")
                cutter = named if documents.machine["cutter-change"] != "machine" else cutter
            elif remark.startswith("cutter "):
                cutter = cutter_in_words(remark, documents) or cutter
        code = re.sub(r"\([^)]*\)", "", line).strip().upper()
        if code in ("", "%"):
            continue
        words = re.findall(r"([A-Z])([-+]?[\d.]+)", code)
        if re.sub(r"[A-Z][-+]?[\d.]+|\s", "", code):
            raise Unreadable(f"{name} line {number}: {line}")
        values = {}
        machine_coordinates = False
        g_words = []
        for letter, value in words:
            if letter == "G":
                g_words.append(float(value))
            elif letter == "M":
                m = float(value)
                if m in (3, 4):
                    spindle = True
                elif m == 5:
                    spindle = False
                elif m == 6:
                    cutter = numbered(tool, documents)
                    spindle = False
                elif m == 0:
                    program.pauses.append(" ".join(last_remarks[-6:]))
                elif m != 2:
                    raise Unreadable(f"{name} line {number}: M{m}")
            elif letter == "T":
                tool = int(float(value))
            elif letter == "S":
                check_speed(float(value), cutter, documents, f"{name} line {number}")
            elif letter == "F":
                feed = float(value) * scale
            else:
                values[letter] = float(value)
        if code[0] not in "(":
            last_remarks = last_remarks if not words else last_remarks[-8:]
        dwell = False
        for g in g_words:
            if g in (20, 21):
                scale = INCH if g == 20 else 1.0
            elif g in (0, 1, 2, 3, 81, 83):
                motion = int(g)
                if motion not in (81, 83):
                    hole = {}
            elif g == 80:
                motion, hole = None, {}
            elif g == 53:
                machine_coordinates = True
            elif g == 4:
                dwell = True
            elif g == 43:
                if tool is not None and values.get("H") != tool:
                    raise Unreadable(f"{name} line {number}: the length of another cutter")
            elif g not in (17, 40, 49, 54, 61, 90, 94, 99):
                raise Unreadable(f"{name} line {number}: G{g}")
        if dwell:
            continue
        lengths = {k: v * scale for k, v in values.items() if k in "XYZIJRQ"}
        if machine_coordinates:
            if set(lengths) == {"Z"} and lengths["Z"] == 0:
                if None not in at[:2]:
                    go(True, [(at[0], at[1], TOP)], number)
                at[2] = TOP
                continue
            raise Unreadable(f"{name} line {number}: {line}")
        if not set(lengths) & set("XYZ"):
            continue
        if motion is None:
            raise Unreadable(f"{name} line {number}: a place without a kind of motion")
        to = [lengths.get(axis, at[i]) for i, axis in enumerate("XYZ")]
        if motion in (81, 83):
            hole.update({k: lengths[k] for k in "ZRQ" if k in lengths})
            x, y = to[0], to[1]
            level = max(at[2], hole["R"])
            go(True, [(x, y, level)], number)
            go(True, [(x, y, hole["R"])], number)
            go(False, [(x, y, hole["Z"])], number)
            go(True, [(x, y, hole["R"])], number)
        elif motion in (0, 1):
            if None in to:
                # Z alone may move before X and Y are known, and the other way round.
                at[:] = to
                continue
            if None in at:
                at[:] = to
                continue
            go(motion == 0, [tuple(to)], number)
        else:
            go(False, arc_points(at, to, lengths, motion, f"{name} line {number}"), number)
    return program


def arc_points(at, to, lengths, motion, place):
    if "R" in lengths:
        raise Unreadable(f"{place}: an arc by its radius")
    cx, cy = at[0] + lengths.get("I", 0.0), at[1] + lengths.get("J", 0.0)
    radius = math.hypot(at[0] - cx, at[1] - cy)
    if abs(math.hypot(to[0] - cx, to[1] - cy) - radius) > 0.02:
        raise Unreadable(f"{place}: an arc whose ends have different radii")
    start = math.atan2(at[1] - cy, at[0] - cx)
    sweep = math.atan2(to[1] - cy, to[0] - cx) - start
    same = math.hypot(to[0] - at[0], to[1] - at[1]) < 1e-9
    if motion == 3:
        sweep = sweep % (2 * math.pi) or 2 * math.pi
    else:
        sweep = -((-sweep) % (2 * math.pi) or 2 * math.pi)
    if same:
        sweep = math.copysign(2 * math.pi, sweep)
    n = chords(radius, sweep)
    angles = start + sweep * np.arange(1, n) / n
    dz = (to[2] - at[2]) / n
    points = [(cx + radius * math.cos(a), cy + radius * math.sin(a), at[2] + dz * (i + 1)) for i, a in enumerate(angles)]
    return points + [tuple(to)]


def pen(name, text, documents):
    """Whole units of 0.025 mm; the first remark says the heights of the pen."""
    program = Program(name, lines=text.splitlines())
    program.remarks = re.findall(r'CO"([^"]*)";', text)
    heights = re.match(r"pen heights: up ([\d.]+) mm, down (-?[\d.]+) mm", program.remarks[0])
    if not heights:
        raise Unreadable(f"{name}: no pen heights")
    up, down = map(float, heights.groups())
    cutter = None
    for remark in program.remarks:
        cutter = cutter or cutter_in_words(remark, documents)
    at, is_down, step = (None, None), False, ""
    for number, line in enumerate(text.splitlines(), 1):
        remark = re.fullmatch(r'CO"([^"]*)";', line)
        if remark:
            step = begun(remark.group(1)) or step
            continue
        for word, numbers in re.findall(r"([A-Z]{2})([-\d,.]*);", line):
            if word in ("IN", "SP", "PA", "VS"):
                continue
            if word not in ("PU", "PD"):
                raise Unreadable(f"{name} line {number}: {word}")
            lowered = word == "PD"
            if lowered != is_down and at[0] is not None:
                z = (up, down) if lowered else (down, up)
                program.moves.append(Move(not lowered, [(*at, z[0]), (*at, z[1])], cutter, number, step, 0))
            is_down = lowered
            values = [int(n) * 0.025 for n in numbers.split(",")] if numbers else []
            for to in zip(values[::2], values[1::2]):
                z = down if is_down else up
                if at[0] is not None:
                    program.moves.append(Move(not is_down, [(*at, z), (*to, z)], cutter, number, step, 0))
                at = to
    return program
