"""What runs under numba's simulator of a card, in a process of its own: prints figures as JSON.

``python simulated_card.py NAME`` with ``NUMBA_ENABLE_CUDASIM=1``; a test reads what it prints.
"""

import json
import logging
import sys
from collections.abc import Callable

import numpy as np
from example_devices import CIRCUITS

from vadist.circuits.operating_point import solve_network
from vadist.designs.files import load_design
from vadist.measure.loudness import LoudnessMeter, block_powers
from vadist.population.figure_names import parse_figure
from vadist.population.sound import hearing_of
from vadist.population.work import measure_population
from vadist.questions.sampling import boards_at, points
from vadist.questions.tolerances import variations
from vadist.rendering.arrays import render_candidates
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.stepper import Stepper

RATE = 384_000.0
TICKS = 32


def example(name: str) -> Circuit:
    """A circuit by the name of a device, or of a preset."""
    network = CIRCUITS[name]() if name in CIRCUITS else load_design(name).network()
    return build_circuit(solve_network(network), RATE, (), usual_pace)


def take(peak_v: float) -> np.ndarray:
    """Half a period of a loud sine, (ticks, 1)."""
    return peak_v * np.sin(2.0 * np.pi * 6000.0 * np.arange(TICKS) / RATE)[:, None]


def devices() -> dict[str, list[float]]:
    """Largest difference from the processor's stepper, and largest output, of every kind."""
    from vadist.gpu.lane_tables import LaneTables
    from vadist.gpu.stepper import DeviceStepper

    found = {}
    for name in [*CIRCUITS, "boosted_hard_clipper"]:
        circuit = example(name)
        volts = take(
            8.0 if name.endswith("mosfets clipping") or name in ("diode", "zener") else 1.0
        )
        exact = Stepper([circuit], 1, real=np.float64)
        lanes = LaneTables.of([circuit, circuit])
        card = DeviceStepper(lanes, np.zeros(2, int), [circuit.output], TICKS, 0, "float64")
        outputs = []
        for part in np.split(volts, 2):
            exact.process(part)
            card.process(part)
            outputs.append(exact.heard(circuit.output)[:, 0])
        wanted = np.concatenate(outputs)
        heard = np.asarray(card.output(circuit.output).copy_to_host())[: len(wanted), 1]
        effort = exact.statistics()[:, :2] == card.statistics()[:, :2] // 2
        apart = float(np.abs(heard - wanted).max())
        found[name] = [apart, float(np.abs(wanted).max()), float(effort.all())]
    return found


def hearing() -> dict[str, list]:
    """Figures of sound of three boards, of both devices; then with every step a stuck one."""
    from vadist.gpu import stepper

    design = load_design("treble_boost")
    varied = variations(design)
    boards = boards_at(design, varied, points(varied, 3, "normal", 0))
    samples = 0.1 * np.sin(2.0 * np.pi * 2000.0 * np.arange(160) / 48e3)
    heard = hearing_of(design, samples, 48e3, oversample=1)
    figures = [parse_figure(text, design) for text in ("boost rest", "loudness", "null depth")]
    told: list[str] = []
    listener = logging.Handler()
    listener.emit = lambda record: told.append(record.getMessage())  # type: ignore[method-assign]
    logging.getLogger("vadist").addHandler(listener)
    cpu = measure_population(boards, figures, hearing=heard).values.tolist()
    gpu = measure_population(boards, figures, hearing=heard, device="gpu").values.tolist()
    before = list(told)
    limit, stepper.NEWTON_LIMIT = stepper.NEWTON_LIMIT, 1
    stuck = measure_population(boards, figures, hearing=heard, device="gpu").values.tolist()
    stepper.NEWTON_LIMIT = limit
    return {"cpu": cpu, "gpu": gpu, "stuck": stuck, "before": before, "told": told}


def candidates() -> dict[str, list]:
    """Two candidates of two channels: volts, taps, stages and errors, of both devices."""
    design = load_design("treble_boost")
    designs = [design, design.with_value("boost.collector_resistor", "10k")]
    time = np.arange(120)[:, None] / 48e3
    samples = 0.2 * np.sin(2.0 * np.pi * np.array([1000.0, 1700.0]) * time)
    found: dict[str, list] = {}
    for device in ("cpu", "gpu"):
        results = render_candidates(
            designs, samples, 48e3, oversample=1, taps=["boost"], device=device
        )
        found[device] = [
            [
                r.volts.tolist(),
                r.taps["boost"].tolist(),
                [r.diagnostics.stages["boost"].low_v, r.diagnostics.stages["boost"].high_v],
                r.diagnostics.error_db,
            ]
            for r in results
        ]
    return found


def spectra() -> dict[str, list]:
    """Power spectra of two lanes from one transform, of sizes that are powers of four or not."""
    from numba import cuda

    from vadist.gpu.kernels import add_bands, launch, radix_four, radix_two, window_pairs

    found = {}
    for size in (64, 128):
        track = np.random.default_rng(size).standard_normal((size, 2))
        circle = 2.0 * np.pi * np.arange(size) / size
        turns = cuda.to_device(np.array([np.cos(circle), np.sin(circle)]))
        re, im, to_re, to_im = (cuda.to_device(np.zeros((size, 1))) for _ in range(4))
        ones = cuda.to_device(np.ones(size))
        launch(0, window_pairs, size, cuda.to_device(track), 0, size, ones, 0, re, im)
        stride = 1
        while stride < size:
            if size // stride >= 4:
                launch(0, radix_four, size // 4, re, im, to_re, to_im, turns, stride)
                stride *= 4
            else:
                launch(0, radix_two, size // 2, re, im, to_re, to_im)
                stride *= 2
            re, im, to_re, to_im = to_re, to_im, re, im
        each = np.arange(size // 2 + 1)
        shares = [each, each + 1, np.ones((len(each), 1))]
        bands = cuda.to_device(np.zeros((len(each), 2)))
        launch(0, add_bands, 4, re, im, *map(cuda.to_device, shares), 0, bands)
        exact = np.abs(np.fft.rfft(track, axis=0)) ** 2
        found[str(size)] = [float(np.abs(bands.copy_to_host() - exact).max()), float(exact.max())]
    return found


def loudness() -> dict[str, list]:
    """Block powers of two tracks of noise that come in two pieces, of the meter and of a card."""
    from numba import cuda

    from vadist.gpu.ears import Ears

    track = np.random.default_rng(5).standard_normal((19_300, 2))
    nobody = np.zeros((len(track), 1))
    ears = Ears(cuda.to_device(track), nobody, np.zeros(2, dtype=int), 48e3, bands=False)
    ears.hear(0, 10_000)
    ears.hear(10_000, 9_300)
    meters = [LoudnessMeter(48e3, 1) for _ in range(2)]
    for meter, lane in zip(meters, track.T, strict=True):
        meter.add(lane[:, None])
    heard = ears.heard()
    return {
        "meter": [meter.powers().tolist() for meter in meters],
        "card": block_powers(heard.energies, 4800.0).T.tolist(),
        "peaks": [np.abs(track).max(axis=0).tolist(), heard.peak.tolist()],
    }


ALL: dict[str, Callable[[], dict]] = {
    each.__name__: each for each in (devices, hearing, candidates, spectra, loudness)
}

if __name__ == "__main__":
    print(json.dumps({name: ALL[name]() for name in sys.argv[1:]}))
