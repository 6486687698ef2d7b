"""What a page of a PDF draws, read by its operators alone."""

import numpy as np


def pdf_paths(page):
    """(line width, points in mm) of every subpath of a page, by its operators alone."""
    found, current, width = [], [], 0.0
    matrix = [np.eye(3)]
    for operands, operator in page.get_contents().operations:
        if operator == b"q":
            matrix.append(matrix[-1])
        elif operator == b"Q":
            matrix.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = map(float, operands)
            matrix[-1] = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix[-1]
        elif operator == b"w":
            width = float(operands[0]) / 72 * 25.4
        elif operator in (b"m", b"l"):
            if operator == b"m":
                current = []
                found.append((width, current))
            point = np.array([float(operands[0]), float(operands[1]), 1.0]) @ matrix[-1]
            current.append(point[:2] / 72 * 25.4)
    return [(w, np.array(p)) for w, p in found if len(p) > 1]
