"""Every kind of task and term, drawn at random: in lanes each bench has the bits of its own run."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from test_lanes import assert_as_single

from rigs import coupling, describe, sensor, servo, speed_loop, step, torque_loop
from shaftloop.analysis.lanes import simulate_many
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import at
from shaftloop.engine.compiled.linkterms import LINK_KINDS
from shaftloop.engine.run import Run
from shaftloop.engine.steprule import Stepping
from shaftloop_models.network import Ref, TermKind

Table = dict[str, Any]

DRAWS = 10
MODEL = {"model_gain": 0.6, "time_constant": "3 ms", "delay": "2.3 samples"}
PM: Table = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "drive",
    "inertia": "0.02 kg m^2",
    "pole_pairs": 4,
    "resistance": "50 mohm",
    "inductance_d": "0.4 mH",
    "inductance_q": "0.6 mH",
    "flux_linkage": "0.12 Wb",
    "current_limit": "200 A",
    "max_speed": "3000 rpm",
    "rated_torque": "100 N m",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
}


class Draw:
    """Chooses what a bench has."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def some(self, **keys: Any) -> Table:
        """Return each key with one chance in two."""
        return {key: value for key, value in keys.items() if self.rng.random() < 0.5}

    def wave(self, top: float) -> list[Table]:
        orders = self.rng.choice([1, 2, 6, 12, 24, 48], 2, replace=False)
        angle = f"{self.rng.integers(-90, 90)} deg"
        return [
            {"order": int(n), "amplitude": f"{top / (1 + k)} N m", "phase": angle}
            for k, n in enumerate(orders)
        ]

    def line(self) -> list[Table]:
        offset = {"parallel_offset": "0.2 mm", "pitch_diameter": "80 mm", "angular_offset": "1 deg"}
        drag = {"coulomb": "0.2 N m", "smoothing": "0.5 rad/s", "windage": "1e-4 N m s^2/rad^2"}
        reading = self.some(
            noisy={
                "filter": {"kind": "bessel", "order": 2, "cutoff": "1 kHz"},
                "noise_density": "0.01 N m/rtHz",
            },
            moving_average="3 sample",
            hysteresis="0.4 %",
            repeatability="0.2 %",
            resolution="0.05 N m",
            gain_error=0.003,
            latency="250 us",
        )
        reading |= reading.pop("noisy", {})
        method = {"method": "timing", "clock": "10 MHz"} if self.rng.random() < 0.5 else {}
        edges = {"part": "encoder", "name": "enc", "lines": 500, "sampling": "5 kHz"}
        pieces = self.some(drive=self.wave(0.8), cogging=self.wave(0.3), offset=True)
        drive = {**PM, **({"ripple": pieces["drive"]} if "drive" in pieces else {})}
        hub = {"inertia_right": "0.001 kg m^2", **(offset if "offset" in pieces else {})}
        bearing = {"part": "bearing", "name": "seat", "inertia": "0.002 kg m^2", "drag": drag}
        lag = {"time_constant": "1 ms", "max_torque": "200 N m", "efficiency": 0.9, "rated_torque": "80 N m"}
        load = servo("load", 0.03, **lag, **({"cogging": pieces["cogging"]} if "cogging" in pieces else {}))
        return [
            drive,
            {**edges, **method, **self.some(turn_error="1e-3 rad")},
            coupling("c1", 2.5e4, loss_factor_psi=0.8, **hub),
            bearing,
            sensor(
                "ts", 6e4, damping="1 N m s/rad", rated="300 N m", inertia_right="0.001 kg m^2", **reading
            ),
            coupling("c2", 3e4, damping="2 N m s/rad"),
            load,
        ]

    def document(self) -> Table:
        derivative = {
            "derivative_cutoff": "400 Hz",
            "derivative_of": str(self.rng.choice(["error", "reading"])),
        }
        structure = self.some(
            setpoint_filter="60 Hz",
            active_damping={"gain": "0.5 N m s/rad", "left": "enc", "right": "load", "cutoff": "4 Hz"},
            disturbance_observer={**MODEL, "cutoff": "5 Hz"},
            predictor=MODEL,
            filters=[{"kind": "low_pass", "cutoff": "900 Hz"}, {"kind": "notch", "frequency": "300 Hz"}],
            setpoint_rate="5 kN m/s",
            output_latency="1.4 samples",
            derivative=derivative,
        )
        if structure.pop("derivative", None):
            structure |= {"kd": "0.2 ms", **derivative}
        hop = {"name": "bus", "carries": "ts", "period": "500 us", "transport": "120 us"}
        with_hop = self.rng.random() < 0.5
        torque = torque_loop(
            "load",
            "bus" if with_hop else "ts",
            kp=0.2,
            ki="50 1/s",
            **{"feedforward": 0.5, "clamp": "150 N m", **structure},
        )
        limit = {"limiter_of": "torque", "limit_speed": "60 rpm"}
        limiter = {**speed_loop("load", 1.0, 5.0, clamp="150 N m"), "name": "guard", **limit}
        way = float(self.rng.choice([-1.0, 1.0]))
        meter = {"name": "pm", "on": "drive", "sampling": "1 kHz", "range": "10 kW"}
        return {
            "duration": "8 ms",
            "line": self.line(),
            "loop": [speed_loop("drive", 4.0, 40.0, reads="enc", clamp="150 N m"), torque]
            + ([limiter] if self.rng.random() < 0.5 else []),
            "sequence": [
                step("speed", f"{way * 300} rpm"),
                step("torque", f"{-30 * way} N m"),
                {"do": "hold", "time": "5 ms"},
                step("speed", f"{-way * 20} rpm"),
            ],
            "supply": {"voltage": str(self.rng.choice(["60 V", "600 V"]))},
            **({"hop": [hop]} if with_hop else {}),
            **self.some(power_meter=[meter]),
        }


def test_lanes_have_the_bits_of_single_runs_whatever_the_bench_has() -> None:
    """Every other bench with a plant of its own per candidate."""
    tasks: set[int] = set()
    terms: set[TermKind] = set()
    for seed in range(DRAWS):
        document = Draw(seed).document()
        descriptions = []
        for k in range(3):
            document["seed"] = k
            document["loop"][1]["kp"] = 0.2 + 0.05 * k
            if seed % 2:  # a plant of its own
                drive, _, joint, seat, middle, *_ = document["line"]
                drive["resistance"] = f"{50 + 2 * k} mohm"
                joint["stiffness"] = f"{2.5e4 + 1e3 * k} N m/rad"
                seat["inertia"] = f"{0.002 + 1e-4 * k} kg m^2"
                if "filter" in middle:
                    middle["filter"]["cutoff"] = f"{1000 - 20 * k} Hz"
            descriptions.append(describe(document))
        model = build_bench(descriptions[0]).model
        tasks |= {task.kind for task in model.tasks}
        terms |= {term.kind for term in model.plant.network.terms}
        assert_as_single(descriptions, list(simulate_many(descriptions)), in_lanes=True)
    # Lanes of benches whose link has a voltage of its own: tests/bench/test_dc_link.py, test_two_way.py
    assert terms == set(TermKind) - LINK_KINDS
    assert tasks == set(range(at.OWN + 1))


def test_kinds_of_terms_that_no_kernel_evaluates_are_refused() -> None:
    bench = build_bench(describe(Draw(0).document()))
    model, network = bench.model, bench.model.plant.network
    term = network.terms[0]
    for wrong, message in (
        (replace(term, kind=99), "no kernel evaluates terms of kind 99: make it an OwnKind"),  # type: ignore[arg-type]
        (replace(term, reads=(Ref("signal", 0),)), "reads .*: it may read state only"),
    ):
        network.terms[0] = wrong
        with pytest.raises(ValueError, match=message):
            Run(model, Stepping(at.ETD4, 1e-4), 1)
