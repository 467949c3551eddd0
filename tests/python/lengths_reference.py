"""What texts of lengths come to, by the evaluator of the judge. Reads one JSON document {"unit", "names": {name: mm}, "texts"} and prints a
list with an entry for each text: [mm, least divisor], or [null, least divisor] where it comes to no length."""
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "judge"))
from lengths import Count, Wrong, exact

asked = json.load(sys.stdin)
names = {name: exact(mm) for name, mm in asked["names"].items()}
answers = []
for text in asked["texts"]:
    count = Count(names, asked["unit"])
    try:
        mm = float(count.length(text))
    except Wrong:
        mm = None
    least = None if count.least_divisor is None else float(count.least_divisor)
    answers.append([mm, least])
json.dump(answers, sys.stdout)
