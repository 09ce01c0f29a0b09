"""Shared by the training scripts: where the data is, canvas geometry, ellipse helpers.

Coordinates are continuous (pixel i covers [i, i+1)); an index coordinate gets +0.5.
"""
import csv, math, os
import numpy as np

CANVAS_W, CANVAS_H = 400, 272
IN_W, IN_H = 384, 256
CLASSES = ["head", "abdomen", "femur", "thorax", "cervix", "spectral", "other"]
PLANE_CLASS = {"brain": 0, "abdomen": 1, "femur": 2, "thorax": 3, "cervix": 4, "other": 6}


def ellipse_perimeter(a, b):
    """Ramanujan's second approximation (error far below 1e-6 for heads)."""
    h = ((a - b) / (a + b)) ** 2
    return math.pi * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))


def rows_of_plane(data, plane):
    """Stills of one plane in a fixed order: (relative path, patient key, source)."""
    r = [x for x in csv.DictReader(open(os.path.join(data, "planes/index.csv"))) if x["plane"] == plane]
    r.sort(key=lambda x: (int(x["patient"]), x["file"]))
    out = [("planes/half/" + x["file"], "B" + x["patient"], "Barcelona") for x in r]
    r = [x for x in csv.DictReader(open(os.path.join(data, "planes/african.csv"))) if x["plane"] == plane]
    r.sort(key=lambda x: (x["country"], int(x["patient"])))
    return out + [("planes/african/" + x["file"], x["country"][:2] + x["patient"], x["country"]) for x in r]
