"""Keys of what is built around the PI controller of a loop: read into SI units, or refused."""

from fractions import Fraction

import pytest

from shaftloop.control.parameters import ActiveDamping, DisturbanceObserver, Loop, Predictor
from shaftloop_models.parameters import Delay, Gain

MODEL = 'model_gain = 0.8, time_constant = "2 ms", delay = "1.5 samples"'
DAMPING = 'active_damping = { gain = "2 N m s/rad", left = "drive", right = "load" }'
ALL = f"""
kd = "2 ms"
derivative_cutoff = "300 Hz"
derivative_of = "error"
setpoint_filter = "30 Hz"
active_damping = {{ gain = "2 N m s/rad", left = "drive", right = "load", cutoff = "5 Hz" }}
disturbance_observer = {{ {MODEL}, cutoff = "40 Hz" }}
predictor = {{ {MODEL} }}
"""
HOP = '\n[[hop]]\nname = "{name}"\ncarries = "{carries}"\nperiod = "500 us"\n'


def test_a_torque_loop_with_everything(bench) -> None:
    loop: Loop = bench.read(("kp = 0.3", "kp = 0.3" + ALL)).description.loop[1]
    gain, delay = Gain(0.8, "1"), Delay(Fraction(3, 2), in_samples=True)
    assert (loop.kd, loop.derivative_cutoff, loop.derivative_of) == (Gain(0.002, "s"), 300.0, "error")
    assert loop.setpoint_filter == 30.0
    assert loop.active_damping == ActiveDamping(2.0, "drive", "load", 5.0)
    assert loop.disturbance_observer == DisturbanceObserver(gain, 0.002, delay, 40.0)
    assert loop.predictor == Predictor(gain, 0.002, delay)


def test_a_speed_loop_has_its_own_units(bench) -> None:
    keys = (
        'kd = "0.1 N m s^2/rad"\nderivative_cutoff = "100 Hz"\n'
        'predictor = { model_gain = "400 rpm/(N m)", time_constant = "2 s", delay = "1 ms" }\n'
    )
    loop: Loop = bench.read(('kp = "5 N m s/rad"', keys + 'kp = "5 N m s/rad"')).description.loop[0]
    assert loop.kd == Gain(0.1, "N m s^2/rad") and loop.derivative_of == "reading"
    assert loop.predictor is not None and loop.predictor.model_gain.unit == "rad/(N m s)"
    assert loop.predictor.model_gain.value == pytest.approx(41.8879, rel=1e-5)
    assert loop.predictor.delay == Delay(Fraction(1, 1000))


def test_a_plain_loop_has_none_of_it(bench) -> None:
    for loop in bench.read().description.loop:
        assert loop.kd.value == 0.0 and loop.setpoint_filter is loop.derivative_cutoff is None
        assert loop.active_damping is loop.disturbance_observer is loop.predictor is None


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('kd = "2 ms"', 'loop.torque.kd: a derivative needs its low-pass; add e.g. derivative_cutoff = "300'),
        (
            'kd = "2 N m s^2/rad"\nderivative_cutoff = "90 Hz"',
            'loop.torque.kd: "2 N m s^2/rad": kd of a loop that controls a torque must be in s',
        ),
        (
            'kd = "2 ms"\nderivative_cutoff = "2 kHz"',
            "loop.torque.derivative_cutoff: 2000 Hz must be below half the rate of the loop (2000 Hz)",
        ),
        ('setpoint_filter = "2 kHz"', "loop.torque.setpoint_filter: 2000 Hz must be below half the rate"),
        (
            DAMPING.replace(" }", ', cutoff = "3 kHz" }'),
            "loop.torque.active_damping.cutoff: 3000 Hz must be below half the rate",
        ),
        (
            f'disturbance_observer = {{ {MODEL}, cutoff = "3 kHz" }}',
            "loop.torque.disturbance_observer.cutoff: 3000 Hz must be below half the rate",
        ),
        (
            f"predictor = {{ {MODEL} }}".replace("1.5 samples", "13 ms"),
            "loop.torque.predictor.delay: 52 samples of the loop; allowed: at most 50; shorten it to 12.5 ms",
        ),
        (
            f"predictor = {{ {MODEL} }}".replace("0.8", '"3 rad/(N m s)"'),
            'loop.torque.predictor.model_gain: "3 rad/(N m s)": model_gain of a loop that controls a torque '
            "must be a bare number",
        ),
        (
            DAMPING.replace('"drive"', '"driv"'),
            'loop.torque.active_damping.left: "driv" is no name in this scenario; it must name a machine or '
            "encoder or hop; nearest: drive",
        ),
        (
            DAMPING.replace('"load"', '"ts"'),
            'loop.torque.active_damping.right: "ts" is a torque sensor; it must name a machine or encoder',
        ),
        (
            DAMPING.replace('"load"', '"bus"'),
            "loop.torque.active_damping.right: bus carries ts, which is no speed",
        ),
        (
            DAMPING.replace('"load"', '"drive"'),
            "loop.torque.active_damping.right: drive and drive turn together: no spring between them",
        ),
        (
            DAMPING.replace('left = "drive", right = "load"', 'left = "load", right = "drive"'),
            "loop.torque.active_damping.left: load is right of drive; swap left and right",
        ),
    ],
)
def test_refused_for_a_torque_loop(bench, keys: str, message: str) -> None:
    assert message in bench.message(("kp = 0.3", f"kp = 0.3\n{keys}"))


def test_unit_of_the_model_of_a_speed_loop(bench) -> None:
    message = bench.message(('kp = "5 N m s/rad"', f'kp = "5 N m s/rad"\npredictor = {{ {MODEL} }}'))
    assert "model_gain of a loop that controls a speed must be in rad/(N m s)" in message


def test_speeds_on_one_body_are_refused_also_behind_a_hop(bench) -> None:
    encoder = '[[line]]\npart = "encoder"\nname = "enc"\nlines = 1024\nsampling = "4 kHz"\n\n'
    edits = (
        ('[[line]]\npart = "coupling"\nname = "c1"', encoder + '[[line]]\npart = "coupling"\nname = "c1"'),
        ("kp = 0.3", "kp = 0.3\n" + DAMPING.replace('"load"', '"link"')),
    )
    message = bench.message(*edits, extra=HOP.format(name="link", carries="enc"))
    assert "loop.torque.active_damping.right: drive and link turn together" in message


def test_a_machine_between_the_speeds_is_refused(bench) -> None:
    beyond = (
        '\n[[line]]\npart = "coupling"\nname = "tail"\nstiffness = "9 kN m/rad"\n'
        '\n[[line]]\npart = "encoder"\nname = "enc"\ninertia = "1e-3 kg m^2"\nlines = 1024\n'
        'sampling = "4 kHz"\n'
    )
    message = bench.message(("kp = 0.3", "kp = 0.3\n" + DAMPING.replace('"load"', '"enc"')), extra=beyond)
    assert "loop.torque.active_damping: load sits between drive and enc; both speeds must lie on" in message


def test_a_hop_that_carries_a_command_is_no_speed(bench) -> None:
    edit = ("kp = 0.3", "kp = 0.3\n" + DAMPING.replace('"load"', '"order"'))
    message = bench.message(edit, extra=HOP.format(name="order", carries="speed"))
    assert "active_damping.right: order carries speed, which is no speed" in message


def test_a_limiter_has_none_of_it(bench) -> None:
    limiter = (
        '\n[[loop]]\nname = "guard"\nacts_on = "load"\nreads = "load"\nrate = "4 kHz"\nkp = "1 N m s/rad"\n'
        'ki = "5 N m/rad"\nclamp = "150 N m"\nlimiter_of = "torque"\nlimit_speed = "2000 rpm"\n'
    )
    message = bench.message(extra=limiter + 'setpoint_filter = "20 Hz"\n')
    assert "loop.guard.setpoint_filter: a limiter is a plain PI controller; leave it out" in message
    assert "loop.torque" not in message


def test_a_broken_line_draws_no_further_error(bench) -> None:
    edits = (("kp = 0.3", "kp = 0.3\n" + DAMPING), ('stiffness = "25 kN m/rad"', 'stiffness = "25 kN m"'))
    assert "line.c1.stiffness" in bench.message(*edits)
