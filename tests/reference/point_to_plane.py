# One linear point-to-plane step (Low 2004) and the eigenvalues of its normal matrix, with numpy and scipy alone.
# Rows of the Jacobian are [p x n, n]; residuals are (q - p) . n. Prints a JSON object.
import json

import numpy as np
from scipy.spatial.transform import Rotation


def normal_matrix(points, normals):
    rows = np.hstack([np.cross(points, normals), normals])
    return rows, rows.T @ rows


# Three walls 2 m away on the axes, 25 points each, facing the origin.
grid = np.linspace(-1, 1, 5)
walls, wall_normals = [], []
for axis in range(3):
    for u in grid:
        for v in grid:
            p, n = np.zeros(3), np.zeros(3)
            p[axis], p[(axis + 1) % 3], p[(axis + 2) % 3], n[axis] = 2, u, v, -1
            walls.append(p)
            wall_normals.append(n)
walls, wall_normals = np.array(walls), np.array(wall_normals)

# The points that are registered: the walls moved back by this rotation vector and translation.
motion, shift = np.array([0.01, -0.02, 0.015]), np.array([0.03, -0.02, 0.01])
moved = Rotation.from_rotvec(motion).inv().apply(walls - shift)
rows, matrix = normal_matrix(moved, wall_normals)
residuals = np.sum((walls - moved) * wall_normals, axis=1)

# A floor and two side walls along x.
corridor, corridor_normals = [], []
for u in np.linspace(-2, 2, 9):
    for v in grid:
        corridor += [[u, v, -0.5], [u, 1, v / 2], [u, -1, v / 2]]
        corridor_normals += [[0, 0, 1], [0, -1, 0], [0, 1, 0]]

print(
    json.dumps(
        {
            "step": np.linalg.solve(matrix, rows.T @ residuals).tolist(),
            "walls": np.linalg.eigvalsh(normal_matrix(walls, wall_normals)[1]).tolist(),
            "corridor": np.linalg.eigvalsh(normal_matrix(np.array(corridor), np.array(corridor_normals, float))[1]).tolist(),
        }
    )
)
