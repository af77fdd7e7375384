# Light that comes back from a level floor, and how noise and mixed pixels show in a time-of-flight range.
# A Lambertian floor of reflectance rho returns S = rho * cos / r^2 = rho * h / r^3; a wall met squarely S = rho / r^2.
# Prints a JSON object.
import json

import numpy as np

C = 299792458.0
HEIGHT = 0.3

# A sensor that just sees a 0.8 wall at 4 m has its gate at 0.8 / 16. The floor falls to it at this distance ahead.
limit = {
    rho: float(np.sqrt((rho * HEIGHT * 16 / 0.8) ** (2 / 3) - HEIGHT**2)) for rho in (0.02, 0.05, 0.1, 0.2, 0.4, 0.5, 0.8)
}
# Signal of a 0.05 floor against that of a 0.8 wall at 1 m.
ratio = {x: float(0.05 * HEIGHT / np.hypot(HEIGHT, x) ** 3 / 0.8) for x in (0.3, 0.5, 1.0, 1.5, 2.0)}

# Four samples a quarter period apart with Poisson noise: 60 MHz, amplitude 200, mean 400 electrons, range 1 m.
rng = np.random.default_rng(5)
f, amplitude, mean = 60e6, 200, 400
phase = 4 * np.pi * f * 1.0 / C
s = [rng.poisson(mean + amplitude * np.cos(phase + k * np.pi / 2), 400_000) for k in range(4)]
error = (np.arctan2(s[3] - s[1], s[0] - s[2]) - phase + np.pi) % (2 * np.pi) - np.pi

# Half a pixel at 0.5 m, half at 2.5 m: two phasors, each by the inverse square of its range.
k = 4 * np.pi * f / C
mixed = sum(0.5 * np.exp(1j * k * z) / z**2 for z in (0.5, 2.5))

print(
    json.dumps(
        {
            "limit": limit,
            "ratio": ratio,
            "edge": 0.4 * HEIGHT / np.hypot(HEIGHT, 0.65) ** 3 / (0.8 / 16),
            "spread": error.std() * C / (4 * np.pi * f),
            "formula": C / (4 * np.pi * f) * np.sqrt(mean / 2) / amplitude,
            "mixed": (np.angle(mixed) % (2 * np.pi)) / k,
        }
    )
)
