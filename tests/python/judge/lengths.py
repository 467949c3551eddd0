"""What texts of lengths come to: parsed by Python's own parser and counted in exact fractions of a millimetre, by the rules of
docs/lengths.md. Shares nothing with the program."""
import ast
import re
from fractions import Fraction

INCH = Fraction(254, 10)
DIGITS = r"(?:\d+(?:\.\d*)?|\.\d+)"
TOKEN = re.compile(rf"""
    (?P<length>{DIGITS}(?:\s+{DIGITS}/{DIGITS}|/{DIGITS})?)\s*(?P<unit>mm|in)(?![A-Za-z0-9_.])
  | (?P<name>[A-Za-z](?:[A-Za-z0-9_.]|-(?=[A-Za-z0-9]))*)
  | (?P<number>{DIGITS})
  | (?P<sign>[-+*/(),])
  | \s+
""", re.X)
# Kinds of quantities: plain numbers alone, lengths divided by lengths, lengths.
NUMBER, RATIO, LENGTH = "number", "ratio", "length"


class Wrong(Exception):
    """It comes to no length."""


def exact(number):
    return Fraction(str(number))


def literal(text):
    whole, _, part = text.rpartition(" ")
    above, _, below = part.partition("/")
    if below and exact(below) == 0:
        raise Wrong(text)
    return (exact(whole.strip()) if whole.strip() else 0) + exact(above) / (exact(below) if below else 1)


class Count:
    def __init__(self, names, unit):
        self.names, self.unit = names, INCH if unit == "in" else Fraction(1)
        # The divisor that came nearest to 0: where floating point may see another sign.
        self.least_divisor = None

    def length(self, value):
        """A number in the document's unit, or a text, in mm."""
        if isinstance(value, (int, float)):
            return exact(value) * self.unit
        values, source, at = [], "", 0
        while at < len(value):
            found = TOKEN.match(value, at)
            if not found:
                raise Wrong(value)
            at = found.end()
            if found["sign"]:
                source += found["sign"]
                continue
            if not found["length"] and not found["name"] and not found["number"]:
                source += " "
                continue
            if found["name"] in ("min", "max"):
                source += found["name"]
                continue
            if found["length"]:
                quantity = literal(found["length"]) * (INCH if found["unit"] == "in" else 1), LENGTH
            elif found["name"]:
                if found["name"] not in self.names:
                    raise Wrong(found["name"])
                quantity = self.names[found["name"]], LENGTH
            else:
                quantity = exact(found["number"]), NUMBER
            source += f" v{len(values)} "
            values.append(quantity)
        try:
            tree = ast.parse(source.strip(), mode="eval").body
        except SyntaxError:
            raise Wrong(value)
        number, kind = self.count(tree, values)
        if kind != LENGTH:
            raise Wrong(value)
        return number

    def count(self, node, values):
        match node:
            case ast.Name(id=name):
                return values[int(name[1:])]
            case ast.UnaryOp(op=ast.USub()):
                number, kind = self.count(node.operand, values)
                return -number, kind
            case ast.Call(func=ast.Name(id="min" | "max" as word), keywords=[]) if len(node.args) > 1:
                pick = min if word == "min" else max
                first, *others = [self.count(a, values) for a in node.args]
                for other in others:
                    first = self.together(first, other, pick)
                return first
            case ast.BinOp():
                a, b = self.count(node.left, values), self.count(node.right, values)
                match node.op:
                    case ast.Add():
                        return self.together(a, b, lambda a, b: a + b)
                    case ast.Sub():
                        return self.together(a, b, lambda a, b: a - b)
                    case ast.Mult():
                        return times(a, b)
                    case ast.Div():
                        return self.divided(a, b)
        raise Wrong(ast.dump(node))

    def together(self, a, b, by):
        (a, kind_a), (b, kind_b) = a, b
        kinds = {kind_a, kind_b}
        if kinds == {LENGTH, NUMBER}:
            a, b = (a, b * self.unit) if kind_b == NUMBER else (a * self.unit, b)
            return by(a, b), LENGTH
        if kinds == {LENGTH, RATIO}:
            raise Wrong("a length and a ratio")
        return by(a, b), kind_a if len(kinds) == 1 else RATIO

    def divided(self, a, b):
        (a, kind_a), (b, kind_b) = a, b
        if self.least_divisor is None or abs(b) < self.least_divisor:
            self.least_divisor = abs(b)
        if b == 0 or (kind_b == LENGTH and kind_a != LENGTH):
            raise Wrong("divided")
        if kind_b == LENGTH:
            return a / b, RATIO
        return a / b, kind_a if kind_a == LENGTH or kind_a == kind_b else RATIO


def times(a, b):
    (a, kind_a), (b, kind_b) = a, b
    if kind_a == kind_b == LENGTH:
        raise Wrong("an area")
    if LENGTH in (kind_a, kind_b):
        return a * b, LENGTH
    return a * b, kind_a if kind_a == kind_b else RATIO


def named(lengths, readings, unit):
    """The names of a job, in mm: its lengths, each as soon as those that it counts on are known, and readings of stocks."""
    names, left = dict(readings), dict(lengths)
    while left:
        before = len(left)
        for name in list(left):
            try:
                names[name] = Count(names, unit).length(left[name])
            except Wrong:
                continue
            del left[name]
        if len(left) == before:
            raise Wrong(f"lengths without a value: {', '.join(left)}")
    return names
