"""Mortises and tenons that a job's joints ask for: as large as the mate's thickest reading and the fit. Joints of other kinds are refused."""
import math

from shapely.geometry import box

# Room between cheeks, at least, both sides together, mm, by fit; and at each end (the defaults of the settings).
LEAST = {"tight": 0.0, "push": 0.1, "sliding": 0.2, "loose": 0.4}
END = 0.5
GLUE = 2.0
# Sizes between cheeks are whole multiples of this, mm.
STEP = 0.05


def lows(documents, tenon, whole):
    """From the near edge of a part so wide to the near edge of each tenon of a joint."""
    count, width = tenon.get("count", 1), documents.mm(tenon["width"])
    step = width + documents.mm(tenon.get("gap", 0))
    first = documents.mm(tenon["offset"]) if "offset" in tenon else (whole - width - (count - 1) * step) / 2
    return [first + i * step for i in range(count)]


def ends_of(tenon):
    return ["left", "right"] if tenon["end"] == "both" else [tenon["end"]]


def tenons(documents, part):
    """Descriptions of the tenons that joints give a part."""
    made = []
    for joint in documents.job.get("joints", []):
        (kind, j), = joint["joint"].items()
        if kind == "mortise-and-tenon" and j["tenon"]["part"] == part["id"] and "blank" in part:
            own = lows(documents, j["tenon"], documents.mm(part["blank"]["width"]))
            made += [{**j["tenon"], "end": end, "offset": f"{low:.9f}mm"} for end in ends_of(j["tenon"]) for low in own]
    return made


def span(documents, tenon, stock):
    """How thick a tenon is at its thinnest and thickest: as its wood, or as the floors of its rebates leave it."""
    thin, mean, thick, _ = documents.stocks[stock]
    if "thickness" not in tenon:
        return thin, thick
    floors = (1 if "back-shoulder" not in tenon else 2) if documents.machine["z-zero"] == "bed" else 0
    found = [documents.mm(tenon["thickness"]) + (1 - floors) * (wood - mean) for wood in (thin, thick)]
    return min(found), max(found)


def apply(documents, mm):
    """Sizes the mortises, makes rebates at thinner tenons, and tells parts where the roots of their tenons are."""
    for joint in documents.job.get("joints", []):
        (kind, j), = joint["joint"].items()
        if kind != "mortise-and-tenon":
            raise ValueError(f"joints of the kind {kind} are not judged")
        tenon, mortise = j["tenon"], j["mortise"]
        member = next(p for p in documents.parts if p.id == tenon["part"])
        least = setting(documents, joint.get("fit", "push"), mm)
        thick = math.ceil((span(documents, tenon, member.stock)[1] + least) / STEP - 1e-6) * STEP
        width = documents.mm(tenon["width"])
        part = next(p for p in documents.parts if p.id == mortise["part"])
        if "feature" in mortise:
            # "mortise@311.1,105.1": its kind and its middle.
            x, y = (float(v) for v in mortise["feature"].split("@")[1].split(","))
            middle = lambda f: f.shape.envelope.centroid
            feature = min(
                (f for f in part.features if f.kind == "mortise"), key=lambda f: math.hypot(middle(f).x - x, middle(f).y - y)
            )
            part.features.remove(feature)
            own = feature.id
            x, y = middle(feature).x, middle(feature).y
            x0, y0, x1, y1 = feature.shape.bounds
            along = x1 - x0 > y1 - y0
        else:
            x, y = (documents.mm(v) for v in mortise["at"])
            along = mortise["lies"] == "along"
            own = joint["id"]
        through = None if j.get("through", False) else documents.mm(tenon["length"]) + GLUE
        count = tenon.get("count", 1)
        step = width + documents.mm(tenon.get("gap", 0))
        # Name, from and to along the mortise, how deep.
        bands = [
            (f"{own}.{i + 1}" if count > 1 else own, at - width / 2, at + width / 2, through)
            for i in range(count) for at in [(i - (count - 1) / 2) * step]
        ]
        if "haunch" in tenon:
            h = tenon["haunch"]
            beside = documents.mm(h["width"])
            low, high = (beside, 0) if h["edge"] == "near" else (0, beside)
            bands.append((own + ".haunch", -width / 2 - low, width / 2 + high, documents.mm(h["length"]) + GLUE))
        for name, low, high, depth in bands:
            made = documents.feature(name, "mortise", None, {"side": mortise.get("side", "face")}, None)
            u, v = (low - END, high + END), (-thick / 2, thick / 2)
            (x0, x1), (y0, y1) = (u, v) if along else (v, u)
            made.shape = box(x + x0, y + y0, x + x1, y + y1)
            made.through, made.left, made.depth = depth is None, None, depth
            part.features.append(made)
        for end in ends_of(tenon):
            member.roots += root(documents, tenon, end, member)
            if "thickness" in tenon:
                member.features += thinned(documents, joint["id"], tenon, end, member)


def thinned(documents, joint, tenon, end, part):
    """The rebates that leave a tenon thinner than its part."""
    back = documents.mm(tenon.get("back-shoulder", 0))
    shape = {"at-end": {"end": end, "length": tenon["length"]}}
    sides = [("face", {"left": f"{documents.mm(tenon['thickness']) + back:.9f}mm"})]
    if back:
        sides.append(("back", {"depth": tenon["back-shoulder"]}))
    made = []
    for side, deep in sides:
        doc = {"id": f"{joint}.{end}-{side}", "kind": "rebate", "side": side, "shape": shape, **deep}
        made += documents.features(doc, part.outline)
    return made


def setting(documents, fit, mm):
    least = LEAST[fit]
    for doc, unit in ((documents.shop, documents.shop.get("unit", "mm")), (documents.job, documents.unit)):
        room = doc.get("settings", {}).get("fit", {}).get(fit)
        least = mm(room["least"], unit) if room else least
    return least


def root(documents, tenon, end, part):
    """Corners at the shoulders of tenons and at the tips of haunches: where, towards the tip, and away from the tenon."""
    _, _, length, width = part.outline.bounds
    w, reach = documents.mm(tenon["width"]), documents.mm(tenon["length"])
    tip = -1 if end == "left" else 1
    x = lambda from_shoulder: reach - from_shoulder if end == "left" else length - reach + from_shoulder
    places = []
    for low in lows(documents, tenon, width):
        edges = {"near": (low, -1), "far": (low + w, 1)}
        if "haunch" in tenon:
            h = tenon["haunch"]
            y, out = edges[h["edge"]]
            places.append((x(documents.mm(h["length"])), y, out))
            edges[h["edge"]] = (y + out * documents.mm(h["width"]), out)
        places += [(x(0), y, out) for y, out in edges.values()]
    return [((at, y), (tip, 0), (0, out)) for at, y, out in places if 1e-6 < y < width - 1e-6]
