# Root-mean-square position error of short trajectories on the plane after the best rigid alignment, by numpy's SVD
# (Horn 1987; the error as in Sturm et al. 2012). Prints a JSON object.
import json

import numpy as np


def aligned(truth, estimate):
    a, b = truth - truth.mean(0), estimate - estimate.mean(0)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn = vt.T @ np.diag([1, np.sign(np.linalg.det(vt.T @ u.T))]) @ u.T
    error = b @ turn.T - a
    return float(np.sqrt((error**2).sum(1).mean())), float(np.arctan2(turn[1, 0], turn[0, 0]))


straight = np.array([[0, 0], [1, 0], [2, 0], [3, 0]], float)
zigzag = straight + np.array([[0, 0.1], [0, -0.1], [0, 0.1], [0, -0.1]])

# Ten steps of 1 m, estimated as 1.02 m and half a degree each.
path, yaw = [np.zeros(2)], 0.0
for _ in range(10):
    path.append(path[-1] + 1.02 * np.array([np.cos(yaw), np.sin(yaw)]))
    yaw += np.radians(0.5)
truth = np.stack([np.arange(11.0), np.zeros(11)], 1)

rmse, turned = aligned(straight, zigzag)
print(json.dumps({"zigzag": rmse, "zigzagYaw": turned, "drift": aligned(truth, np.array(path))[0]}))
