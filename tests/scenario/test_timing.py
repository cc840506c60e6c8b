"""Rates and their common tick, the sequence, the length of the run."""

import math
from fractions import Fraction

import pytest

from shaftloop.analysis.simulation import simulate
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.sequence import longest_time
from shaftloop.errors import BenchError
from shaftloop.scenario.description import End, Hold, Ramp, Trace
from shaftloop.scenario.timing import sequence_length, tick_divisor

STEP = 'do = "step"\nloop = "torque"\nto = "50 N m"\n'
PERIODIC = """\
do = "periodic_step"
loop = "torque"
low = "0 N m"
high = "50 N m"
period = "100 ms"
rise = "10 ms"
"""


@pytest.mark.parametrize(
    ("rates", "divisor"),
    [(["10000", "8000", "4000"], 1), (["3000"], 3), (["12000"], 3), (["19200"], 3), (["6000", "7000"], 21)],
)
def test_divisor_of_the_tick(rates: list[str], divisor: int) -> None:
    assert tick_divisor([1 / Fraction(rate) for rate in rates]) == divisor


def test_divisor_without_any_time_is_one() -> None:
    assert tick_divisor([]) == 1


def test_ordinary_rates_are_accepted(bench) -> None:
    assert bench.read(('sampling = "8 kHz"', 'sampling = "19.2 kHz"')).description.line[2].sampling == 19200


def test_rate_that_needs_too_fine_a_tick_by_itself(bench) -> None:
    message = bench.message(('sampling = "8 kHz"', 'sampling = "7123 Hz"'))
    assert f"bench.toml:{bench.line_of('7123')}: line.ts.sampling: 7123 Hz is a time of 140390.284" in message
    assert message.endswith("needs a tick finer than 1 ps; choose a rounder value")
    assert "line.ts.latency: 1.23456789012 s is a time of 1234567890.1234 ns" in bench.message(
        ('sampling = "8 kHz"', 'sampling = "8 kHz"\nlatency = "1.2345678901234 s"')
    )


def test_rates_whose_common_tick_is_too_fine(bench) -> None:
    message = bench.message(
        ('sampling = "8 kHz"', 'sampling = "8.9 kHz"'), ('period = "500 us"', 'period = "123456.99 ns"')
    )
    assert "line.ts.sampling: the common tick of line.ts.sampling (8900 Hz), hop.bus.period (" in message
    assert message.endswith("would be finer than 1 ps; choose rates that divide each other")


@pytest.mark.parametrize(
    ("key", "old", "new"),
    [
        ("line.load.rate", "[[hop]]", "[[hop]]"),
        ("line.ts.phase", 'sampling = "8 kHz"', 'sampling = "8 kHz"\nphase = "1e-14 s"'),
        ("loop.torque.output_latency", "kp = 0.3", 'kp = 0.3\noutput_latency = "0.123456789 samples"'),
        ("loop.torque.phase", "kp = 0.3", 'kp = 0.3\nphase = "1e-14 s"'),
        ("hop.bus.transport", 'period = "500 us"', 'period = "500 us"\ntransport = "1e-14 s"'),
        ("hop.bus.phase", 'period = "500 us"', 'period = "500 us"\nphase = "1e-14 s"'),
        ("line.drive.dead_time", 'max_torque = "200 N m"', 'max_torque = "200 N m"\ndead_time = "1e-14 s"'),
        ("record.rate", 'duration = "1 s"', 'duration = "1 s"\nrecord = { rate = "7123 Hz" }'),
    ],
)
def test_every_period_phase_and_latency_is_looked_at(bench, key: str, old: str, new: str) -> None:
    if old == new:
        message = bench.message(settings=["line.load.rate=7123 Hz"])
    else:
        message = bench.message((old, new))
    assert "needs a tick finer than 1 ps" in message
    assert key in message


def test_pm_machine_and_encoder_are_looked_at(bench) -> None:
    extra = (
        '[[line]]\npart = "encoder"\nname = "enc"\nlines = 1024\nsampling = "7123 Hz"\n'
        '[[line]]\nfrom = "parts/pm-hub-14kw.toml"\nname = "hub"\ncurrent_control = { rate = "9973 Hz" }\n'
    )
    messages = bench.messages(("[[hop]]", extra + "[[hop]]"))
    assert ["line.enc.sampling" in messages[0], "line.hub.current_control.rate" in messages[1]] == [
        True,
        True,
    ]


SEQUENCE_ERRORS = [
    (
        'loop = "torque"\nto',
        'loop = "torqe"\nto',
        'sequence.1.loop: no loop "torqe"; nearest: torque; known: speed, torque',
    ),
    (
        'to = "50 N m"',
        'to = "50 rpm"',
        'sequence.1.to: "50 rpm": the loop controls a torque: the unit rpm does not fit; expected N m',
    ),
    (
        'to = "1000 rpm"',
        'to = "10 N m"',
        "the loop controls a speed: the unit N m does not fit; expected rpm or rad/s",
    ),
    (
        STEP,
        PERIODIC + 'fall = "10 ms"\n',
        "sequence.1.fall: must be above rise (0.01 s) and at most period (0.1 s)",
    ),
    (STEP, PERIODIC + 'fall = "110 ms"\n', "sequence.1.fall: must be above rise"),
    (
        STEP,
        'do = "settle"\nloop = "torque"\nwithin = "1 N m"\ndwell = "1 s"\ntimeout = "1 s"\n',
        "sequence.1.timeout: must be above dwell (1 s)",
    ),
    (STEP, 'do = "hold"\ntime = "1e-10 s"\n', 'sequence.1.time: "1e-10 s" is finer than 1 ns; round it'),
    (
        'above = "300 N m"',
        'above = "300 N m"\nreaction = "1e-10 s"',
        'limit.overtorque.reaction: "1e-10 s" is finer',
    ),
    (
        STEP,
        PERIODIC + 'fall = "60 ms"\n\n[[sequence]]\ndo = "end"\n',
        "sequence.1: never ends, so the steps after it are never reached; give time or wait = false",
    ),
    (
        'duration = "1 s"',
        'duration = "1e9 s"',
        "duration: 1e+09 s at these rates is a run of 3.4e+13 task instants; allowed: at most 2e+09; "
        "fastest is line.drive.rate (8000 Hz): lower it, or shorten the run to 5.88e+04 s",
    ),
]


@pytest.mark.parametrize(("old", "new", "says"), SEQUENCE_ERRORS)
def test_sequence_that_cannot_run(bench, old: str, new: str, says: str) -> None:
    assert says in bench.message((old, new))


@pytest.mark.parametrize("stated", ['"angle"', "3", '["position"]'])
def test_what_a_loop_controls_is_judged_once_and_its_steps_not_at_all(bench, stated: str) -> None:
    message = bench.message(("kp = 0.3", f"kp = 0.3\ncontrols = {stated}"))
    assert "loop.torque.controls: " in message and "is not one of: position" in message


def test_a_pulse_may_last_to_the_end_of_its_period(bench) -> None:
    assert not bench.read((STEP, PERIODIC + 'fall = "100 ms"\ntime = "0.5 s"\n')).warnings


def test_length_of_steps_that_overlap() -> None:
    ramp = Ramp("ramp", "torque", 1.0, Fraction(4), wait=False)
    trace = Trace("trace", "torque", "a.csv", "torque [N m]", times=(1.0, 6.0), values=(0.0, 1.0))
    hold = Hold("hold", Fraction(3))
    for steps, length in (
        ((ramp, hold), (4, 3)),
        ((hold, ramp), (7, 3)),
        ((ramp, hold, hold), (6, 6)),
        ((ramp, trace), (6, 6)),
        ((ramp, hold, End("end"), hold), (3, 3)),
    ):
        assert sequence_length(steps) == length


def test_a_limiter_takes_no_set_point(bench) -> None:
    limiter = (
        '\n[[loop]]\nname = "guard"\nacts_on = "load"\nreads = "load"\nrate = "4 kHz"\nkp = "1 N m s/rad"\n'
        'ki = "5 N m/rad"\nclamp = "150 N m"\nlimiter_of = "torque"\nlimit_speed = "2000 rpm"\n'
    )
    message = bench.message((STEP, STEP.replace("torque", "guard").replace("N m", "rpm")), extra=limiter)
    assert message.endswith(
        "sequence.1.loop: guard is a limiter and takes no set-point; name the loop it limits"
    )


@pytest.mark.parametrize(
    "step",
    [
        PERIODIC + 'fall = "60 ms"\n',
        'do = "sine"\nloop = "torque"\nmean = "0 N m"\namplitude = "5 N m"\nfrequency = "5 Hz"\n'
        "wait = false\n",
    ],
)
def test_step_without_an_end_needs_a_duration_for_a_run_alone(bench, step: str) -> None:
    for end, length in (("", math.inf), ('\n[[sequence]]\ndo = "end"\n', 0.3)):
        if end and "wait" not in step:
            continue
        description = bench.read((STEP, step + end), ('duration = "1 s"\n', "")).description
        assert longest_time(description) == pytest.approx(length)


def test_length_of_the_sequence_serves_where_no_duration_is_given(bench) -> None:
    assert bench.read(('duration = "1 s"\n', "")).description.duration is None
    message = bench.message(
        ('duration = "1 s"\n', ""),
        ('over = "0.3 s"', 'over = "0.3 s"\nwait = false'),
        settings=["sequence.0.over=1e9 s"],
    )
    assert "sequence: 1e+09 s at these rates is a run of" in message


def test_sequence_without_a_length_needs_a_duration(bench) -> None:
    ramp = '[[sequence]]\ndo = "ramp"\nloop = "speed"\nto = "1000 rpm"\nover = "0.3 s"\n'
    end = ((ramp, '[[sequence]]\ndo = "end"\n'), (STEP, 'do = "hold"\ntime = "1 s"\n'))
    for changes in (((ramp, ""),), end):
        description = bench.read(*changes, ('duration = "1 s"\n', "")).description
        with pytest.raises(BenchError, match="missing: the sequence takes no time"):
            simulate(description)
        assert build_bench(description).record_period > 0


def test_sequence_longer_than_the_run_warns(bench) -> None:
    hold = STEP + '\n[[sequence]]\ndo = "hold"\ntime = "2 s"\n'
    (warning,) = bench.read((STEP, hold)).warnings
    assert warning.endswith("duration: the sequence takes 2.3 s, the run ends after 1 s")
    settle = (
        '\n[[sequence]]\ndo = "settle"\nloop = "torque"\nwithin = "1 N m"\ndwell = "10 ms"\ntimeout = "2 s"\n'
    )
    assert not bench.read((STEP, STEP + settle)).warnings


HOLD = '[[sequence]]\ndo = "hold"\ntime = "1 ms"\n'


@pytest.mark.parametrize(
    ("steps", "warnings"),
    [
        (['[[sequence]]\ndo = "trip"\n', HOLD, '[[sequence]]\ndo = "end"\n'], []),
        (
            ['[[sequence]]\ndo = "stop"\n'],
            ['stop ends the run and brings nothing to rest; write "end" for that, or ramp the speed to 0'],
        ),
        (['[[sequence]]\ndo = "end"\n', HOLD], ["sequence.3: is never reached: sequence.2 ends the run"]),
        (
            ['[[sequence]]\ndo = "trip"\n', HOLD, "[[sequence]]\n" + STEP],
            ["sequence.4: moves nothing: sequence.2 has taken the torque away"],
        ),
    ],
)
def test_steps_that_do_not_do_what_they_seem_to_warn(bench, steps: list[str], warnings: list[str]) -> None:
    found = bench.read(extra="\n" + "\n".join(steps)).warnings
    assert len(found) == len(warnings)
    assert all(warning.endswith(text) for warning, text in zip(found, warnings, strict=True))
