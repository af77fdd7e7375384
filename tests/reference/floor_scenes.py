# Depth images of floors with a known profile (x ahead, z up, the same for every y), worked out by intersecting each
# pixel's ray with the profile's straight pieces: numpy only, nothing of the project.
# The lens is at x = 0, `height` over the floor, looks along +x and is pitched down; optical x right, y down, z forward.
# argv[1]: JSON list of [kind, height, pitch in degrees, edge distance]. Prints a JSON list of z-depth lists, 0 for none.
import json
import sys

import numpy as np

W, H = 80, 60
FOCAL = W / 2 / np.tan(np.radians(83 / 2))
CX, CY = (W - 1) / 2, (H - 1) / 2
FAR = 7.5


def rays(pitch):
    v, u = np.mgrid[0:H, 0:W]
    d = np.stack([(u - CX) / FOCAL, (v - CY) / FOCAL, np.ones_like(u, float)], -1)
    body_from_optical = np.array([[0, 0, 1], [-1, 0, 0], [0, -1, 0]], float)
    p = np.radians(pitch)
    turn = np.array([[np.cos(p), 0, np.sin(p)], [0, 1, 0], [-np.sin(p), 0, np.cos(p)]])
    return d @ (turn @ body_from_optical).T  # per unit of optical depth, so t below is the z-depth


def profile(kind, edge):
    if kind == "flat":
        return [(-1, 0), (20, 0)]
    if kind.startswith("ledge"):
        drop = float(kind[5:]) / 1000
        return [(-1, 0), (edge, 0), (edge, -drop), (20, -drop)]
    if kind == "threshold13":
        return [(-1, 0), (edge, 0), (edge, 0.013), (edge + 0.1, 0.013), (edge + 0.1, 0), (20, 0)]
    if kind == "ramp":
        return [(-1, 0), (edge, 0), (edge + 6, -0.5), (20, -0.5)]
    if kind.startswith("stair"):
        riser, tread = [float(s) / 1000 for s in kind[5:].split("x")]
        points, z, x = [(-1, 0), (edge, 0)], 0, edge
        for _ in range(12):
            z -= riser
            points.append((x, z))
            x += tread
            points.append((x, z))
        return points + [(20, z)]
    if kind == "void":
        return [(-1, 0), (edge, 0), (edge, -50)]
    raise SystemExit(f"unknown profile {kind}")


def render(kind, height, pitch, edge):
    d = rays(pitch)
    depth = np.full(d.shape[:2], np.inf)
    points = profile(kind, edge)
    for (xa, za), (xb, zb) in zip(points, points[1:]):
        ex, ez = xb - xa, zb - za
        det = ex * d[..., 2] - ez * d[..., 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (ex * (za - height) - ez * xa) / det
            s = (d[..., 0] * (za - height) - d[..., 2] * xa) / det
        hit = (t > 1e-6) & (s >= 0) & (s <= 1) & np.isfinite(t)
        depth = np.where(hit & (t < depth), t, depth)
    depth[depth > FAR] = 0
    return depth.ravel().tolist()


print(json.dumps([render(*case) for case in json.loads(sys.argv[1])]))
