"""Mortises and tenons that a job's joints ask for: as large as the mate's thickest reading and the fit. Joints of other kinds are refused."""
import math

from shapely.geometry import box

# Room between cheeks, at least, both sides together, mm, by fit; and at each end (the defaults of the settings).
LEAST = {"tight": 0.0, "push": 0.1, "sliding": 0.2, "loose": 0.4}
END = 0.5
GLUE = 2.0
# Sizes between cheeks are whole multiples of this, mm.
STEP = 0.05


def tenons(documents, part):
    """Descriptions of the tenons that joints give a part."""
    made = []
    for joint in documents.job.get("joints", []):
        (kind, j), = joint["joint"].items()
        if kind == "mortise-and-tenon" and j["tenon"]["part"] == part:
            ends = ["left", "right"] if j["tenon"]["end"] == "both" else [j["tenon"]["end"]]
            made += [{**j["tenon"], "end": end} for end in ends]
    return made


def apply(documents, mm):
    """Sizes the mortises, and tells parts where the roots of their tenons are."""
    for joint in documents.job.get("joints", []):
        (kind, j), = joint["joint"].items()
        if kind != "mortise-and-tenon":
            raise ValueError(f"joints of the kind {kind} are not judged")
        tenon, mortise = j["tenon"], j["mortise"]
        member = next(p for p in documents.parts if p.id == tenon["part"])
        thickest = documents.stocks[member.stock][2]
        least = setting(documents, joint.get("fit", "push"), mm)
        thick = math.ceil((thickest + least) / STEP - 1e-6) * STEP
        wide = documents.mm(tenon["width"]) + 2 * END
        part = next(p for p in documents.parts if p.id == mortise["part"])
        if "feature" in mortise:
            # "mortise@311.1,105.1": its kind and its middle.
            x, y = (float(v) for v in mortise["feature"].split("@")[1].split(","))
            middle = lambda f: f.shape.envelope.centroid
            feature = min(
                (f for f in part.features if f.kind == "mortise"), key=lambda f: math.hypot(middle(f).x - x, middle(f).y - y)
            )
            x, y = middle(feature).x, middle(feature).y
            x0, y0, x1, y1 = feature.shape.bounds
            along = x1 - x0 > y1 - y0
        else:
            x, y = (documents.mm(v) for v in mortise["at"])
            along = mortise["lies"] == "along"
            feature = documents.feature(joint["id"], "mortise", None, {"side": mortise.get("side", "face")}, None)
            part.features.append(feature)
        w, h = (wide, thick) if along else (thick, wide)
        feature.shape = box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        feature.through, feature.left = j.get("through", False), None
        feature.depth = None if feature.through else documents.mm(tenon["length"]) + GLUE
        for end in ["left", "right"] if tenon["end"] == "both" else [tenon["end"]]:
            member.roots += root(documents, tenon, end, member, mm)


def setting(documents, fit, mm):
    least = LEAST[fit]
    for doc, unit in ((documents.shop, documents.shop.get("unit", "mm")), (documents.job, documents.unit)):
        room = doc.get("settings", {}).get("fit", {}).get(fit)
        least = mm(room["least"], unit) if room else least
    return least


def root(documents, tenon, end, part, mm):
    """Corners at the shoulder of a tenon: where, towards the tip, and away from the tenon."""
    _, _, length, width = part.outline.bounds
    w, reach = documents.mm(tenon["width"]), documents.mm(tenon["length"])
    low = documents.mm(tenon["offset"]) if "offset" in tenon else (width - w) / 2
    x, tip = (reach, -1) if end == "left" else (length - reach, 1)
    return [((x, y), (tip, 0), (0, out)) for y, out in ((low, -1), (low + w, 1)) if 1e-6 < y < width - 1e-6]
