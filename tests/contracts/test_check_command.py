"""The commands ``check`` and ``fit``: exit codes, reports, suites, JUnit.

Authority: the contract of the command line (0 passed, 1 failed, 2 bad input) and the elements and
attributes that the common JUnit schema (as published with several continuous-integration servers;
from memory, not located) requires and allows, written down below.
"""

import json
from xml.etree import ElementTree

import numpy as np
import pytest

from vadist.captures.sidecar import read_stimulus
from vadist.captures.stimulus import make_stimulus
from vadist.captures.stimulus_files import write_stimulus
from vadist.cli import main
from vadist.designs.files import design_text, load_design
from vadist.rendering.arrays import render

RATE = 96_000
PRESET = "treble_boost"


def save(path, output, drive=None):
    columns = [output] if drive is None else [drive, output]
    names = ["output (V)"] if drive is None else ["input (V)", "output (V)"]
    t = np.arange(len(output)) / RATE
    head = ",".join(["Time (s)", *names])
    lines = [",".join(f"{v:.9g}" for v in row) for row in zip(t, *columns, strict=True)]
    path.write_text(head + "\n" + "\n".join(lines) + "\n")
    return str(path)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Captures of a right and of a wrong board; the contract of files needs no other solver."""
    folder = tmp_path_factory.mktemp("bench")
    t = np.arange(2400) / RATE
    drive = 0.05 * np.sin(2 * np.pi * 1000.0 * np.maximum(t - 2e-3, 0.0))
    design = load_design(PRESET)
    wrong = design.with_value(
        "boost.emitter_resistor", 1.5 * design.value("boost.emitter_resistor")
    )
    for name, board in (("right", design), ("wrong", wrong)):
        save(folder / f"{name}.csv", render(board, drive, RATE).volts[:, 0], drive)
    return folder


def test_pass_fail_and_bad_input(bench, capsys):
    """Exit codes 0, 1, 2; the report names what was understood and what arithmetic adds."""
    assert main(["check", str(bench / "right.csv"), "--design", PRESET]) == 0
    told = capsys.readouterr().out
    for words in ("comma-separated", "2 channels (input, output)", "arithmetic of the render",
                  "delay", "gain 1.0000", "PASS"):  # fmt: skip
        assert words in told
    assert (
        main(["check", str(bench / "wrong.csv"), "--design", PRESET, "--limit", "esr=-40dB"]) == 1
    )
    told = capsys.readouterr().out
    assert "FAIL" in told
    assert "> -40.0 dB" in told
    assert main(["check", str(bench / "none.csv"), "--design", PRESET]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "--design is needed"),
        (["--design", PRESET, "--limit", "esr"], "NAME=VALUE"),
        (["--design", PRESET, "--limit", "erm=1"], "did you mean 'esr'"),
        (["--design", PRESET, "--limit", "esr=loud"], "must be a number in dB"),
        (["--design", PRESET, "--limit", "dc=-1V"], "at least 0"),
        (["--design", PRESET, "--gain", "lots"], "gain must be a share"),
        (["--design", PRESET, "--band", "10MHz"], "band must be within"),
        (["--design", PRESET, "--probe", "0"], "probe must be above 0"),
        (["--design", PRESET, "--output-channel", "outptu"], "did you mean 'output'"),
        (["--design", PRESET, "--units", "s,V"], "--units names 2"),
        (["--design", PRESET, "--set", "drive=2"], "unknown value 'drive'"),
        (["--design", PRESET, "--settle", "1s"], "too short"),
        (["--design", PRESET, "--threads", "0"], "at least 1"),
        (["--design", PRESET, "--plot", "a.txt"], "written as .png"),
    ],
)
def test_what_cannot_be_used_gets_one_line(bench, capsys, arguments, message):
    assert main(["check", str(bench / "right.csv"), *arguments]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert told.count("\n") == 1


def test_channels_that_cannot_be_told_apart(tmp_path, capsys):
    t = np.arange(400) / RATE
    wave = np.sin(2 * np.pi * 1e3 * t)
    path = tmp_path / "a.csv"
    text = save(path, wave, wave)
    path.write_text(path.read_text().replace("input (V),output (V)", "CH1 (V),CH2 (V)"))
    assert main(["check", text, "--design", PRESET]) == 2
    assert "state --output-channel (CH1, CH2)" in capsys.readouterr().err
    assert main(["check", save(path, wave), "--design", PRESET]) == 2
    assert "--input" in capsys.readouterr().err


def test_json_and_limits_file(bench, tmp_path, capsys):
    limits = tmp_path / "limits.toml"
    limits.write_text('[limits]\nesr = "-60dB"\nclip_level = "2%"\nharmonic_level = "0.2dB"\n')
    arguments = ["check", str(bench / "right.csv"), "--design", PRESET, "--limits", str(limits)]
    assert main([*arguments, "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["passed"]
    names = {j["name"] for j in told["judgements"]}
    assert names == {"esr", "clip_level", "harmonic_level", "polarity", "gain", "offset"}
    assert told["verdict"] == "pass"
    assert not told["worse_than_a_right_board"]
    assert told["evidence"]["coherence"] > 0.99
    assert told["figures"]["esr_db"] < -60.0
    assert told["numerical_error_db"] < -70.0
    tone = told["harmonics"][0]
    # The input is a burst of 1 kHz: found from the record itself.
    assert tone["tone_hz"] == pytest.approx(1000.0, rel=1e-3)


def test_ac_coupling_probe_and_inversion(bench, tmp_path, capsys):
    """A tenth, upside down, with offsets on both: put right by the options and the alignment."""
    t, drive, output = np.loadtxt(bench / "right.csv", delimiter=",", skiprows=1).T
    bent = save(tmp_path / "bent.csv", -0.1 * output + 0.3, drive + 0.02)
    assert len(t) == len(drive)
    arguments = ["check", bent, "--design", PRESET, "--probe", "output=10x", "--limit", "esr=-60dB"]
    assert main([*arguments, "--coupling", "0.01Hz"]) == 1
    assert "polarity inverted" in capsys.readouterr().out
    assert main([*arguments, "--coupling", "0.01Hz", "--sign", "inverted"]) == 0
    assert main([*arguments, "--coupling", "0.01Hz", "--sign", "either"]) == 0
    assert main([*arguments, "--sign", "inverted"]) == 1
    assert "FAIL       offset" in capsys.readouterr().out


@pytest.mark.parametrize("shape", ["input", "dead", "silent", "offset"])
def test_captures_that_show_no_right_board(bench, tmp_path, capsys, shape):
    """The input itself, nothing but noise, nothing at all, a volt of offset: never passed."""
    _, drive, output = np.loadtxt(bench / "right.csv", delimiter=",", skiprows=1).T
    noise = np.random.default_rng(2).normal(0.0, 1e-3, len(drive))
    shapes = {"input": drive, "dead": noise, "silent": 0.0 * drive, "offset": output + 1.0}
    path, xml = save(tmp_path / "a.csv", shapes[shape], drive), tmp_path / "a.xml"
    arguments = ["check", path, "--design", PRESET, "--limit", "model_error=-48dB"]
    assert main([*arguments, "--junit", str(xml), "--json", str(tmp_path / "a.json")]) == 1
    told = json.loads((tmp_path / "a.json").read_text())
    (case,) = validate(xml.read_text()).iter("testcase")
    wanted = {
        "dead": ("could not be aligned", "error"), "silent": ("could not be judged", "error"),
        "offset": ("fail", "failure"), "input": ("fail", "failure"),
    }[shape]  # fmt: skip
    assert told["verdict"] == wanted[0]
    assert case[0].tag == wanted[1]
    assert wanted[0] == "fail" or wanted[0] in case[0].attrib["message"]
    if shape != "silent":
        assert not told["passed"]
        assert told["reasons"]
    capsys.readouterr()


def test_suite_counts_every_verdict(bench, tmp_path, capsys):
    """What could not be judged is an error in JUnit, and exit code 1 as long as all was read."""
    _, drive, _ = np.loadtxt(bench / "right.csv", delimiter=",", skiprows=1).T
    noise = np.random.default_rng(2).normal(0.0, 1e-3, len(drive))
    extra = ""
    for name, volts in (("dead", noise), ("silent", 0.0 * drive)):
        save(tmp_path / f"{name}.csv", volts, drive)
        extra += f'[[capture]]\nfile = "{name}.csv"\n'
    xml = tmp_path / "out.xml"
    assert main(["check", suite(tmp_path, bench, extra), "--junit", str(xml)]) == 1
    told = capsys.readouterr().out
    counts = "1 of 4 passed, 1 failed, 1 could not be judged, 1 could not be aligned in"
    assert counts in told
    root = validate(xml.read_text())
    assert (root.attrib["failures"], root.attrib["errors"]) == ("1", "2")
    kinds = [found.attrib["type"] for found in root.iter("error")]
    assert kinds == ["CouldNotBeAligned", "CouldNotBeJudged"]


def test_capture_that_starts_in_the_middle_of_a_signal(tmp_path, capsys):
    """Coupling capacitors are brought to where they were by what the record itself holds."""
    slow = "boosted_hard_clipper"
    t = np.arange(9600) / RATE
    drive = 0.05 * np.sin(2 * np.pi * 330.0 * t)
    output = render(load_design(slow), drive, RATE).volts[:, 0]
    path = save(tmp_path / "a.csv", output[4000:], drive[4000:])
    assert main(["check", path, "--design", slow, "--limit", "esr=-65dB"]) == 0
    assert "starts in the middle of a signal" in capsys.readouterr().out


def test_stimulus_as_input(tmp_path):
    """A stimulus drives the model; its steps are known from the sidecar."""
    made = make_stimulus("stepped-sines", peak_v=0.1, seconds=0.02, frequencies_hz=[1e3, 3e3])
    write_stimulus(made, tmp_path / "s.wav")
    drive = read_stimulus(tmp_path / "s.wav").volts[:, 0]
    output = render(load_design(PRESET), drive, 48_000).volts[300:, 0]
    np.savez(tmp_path / "c.npz", sample_rate_hz=48_000.0, output=output)
    arguments = ["check", str(tmp_path / "c.npz"), "--design", PRESET, "--json",
                 str(tmp_path / "c.json")]  # fmt: skip
    assert main([*arguments, "--input", str(tmp_path / "s.wav"), "--limit", "esr=-60dB"]) == 0
    told = json.loads((tmp_path / "c.json").read_text())
    assert told["alignment"]["delay_s"] == pytest.approx(-300 / 48_000, abs=1e-7)
    levels = {round(h["tone_v"], 6) for h in told["harmonics"]}
    assert levels == {0.002, 0.005, 0.015, 0.04, 0.1}


def suite(folder, bench, extra="", count=1):
    entries = "".join(
        f'[[capture]]\nfile = "{bench / name}.csv"\nname = "{name} {k}"\n'
        for k in range(count) for name in ("right", "wrong")
    )  # fmt: skip
    path = folder / "suite.toml"
    path.write_text(f'name = "board <7> & co"\ndesign = "{PRESET}"\n[limits]\nesr = "-40dB"\n'
                    + entries + extra)  # fmt: skip
    return str(path)


TESTSUITE = {"name", "tests", "failures", "errors", "skipped", "time"}


def validate(text):
    """Hold a document against the common schema's elements, attributes and order."""
    root = ElementTree.fromstring(text)
    assert root.tag == "testsuites"
    assert set(root.attrib) <= {"name", "tests", "failures", "errors", "time", "disabled"}
    for found in root:
        assert found.tag == "testsuite"
        assert {"name", "tests"} <= set(found.attrib) <= TESTSUITE
        cases = list(found)
        assert all(case.tag == "testcase" for case in cases)
        for case in cases:
            assert {"name", "classname"} <= set(case.attrib) <= {"name", "classname", "time"}
            assert float(case.attrib["time"]) >= 0.0
            kinds = [child.tag for child in case]
            assert len(kinds) <= 1 or kinds == sorted(kinds)
            for child in case:
                assert child.tag in {"failure", "error", "system-out"}
                allowed = set() if child.tag == "system-out" else {"message", "type"}
                assert set(child.attrib) == allowed
                assert "\n" not in child.attrib.get("message", "")
        for key, tag in (("failures", "failure"), ("errors", "error")):
            assert int(found.attrib[key]) == sum(case.find(tag) is not None for case in cases)
        assert int(found.attrib["tests"]) == len(cases)
        assert root.attrib["tests"] == found.attrib["tests"]
    return root


def test_suite_and_junit(bench, tmp_path, capsys):
    """One test case a capture; failures say by how much, in one line."""
    xml = tmp_path / "out.xml"
    text = suite(tmp_path, bench)
    assert main(["check", text, "--junit", str(xml), "--threads", "2"]) == 1
    told = capsys.readouterr().out
    assert "1 of 2 passed" in told
    assert told.splitlines()[0].startswith("PASS  right 0")
    root = validate(xml.read_text())
    (failure,) = root.iter("failure")
    assert "esr" in failure.attrib["message"]
    assert "> -40.0 dB" in failure.attrib["message"]
    assert "arithmetic of the render" in failure.text
    assert root[0].attrib["name"] == "board <7> & co"


def test_suite_goes_on_after_an_unreadable_capture(bench, tmp_path, capsys):
    xml = tmp_path / "out.xml"
    text = suite(tmp_path, bench, '[[capture]]\nfile = "gone.csv"\n')
    assert main(["check", text, "--junit", str(xml)]) == 2
    assert "ERROR gone" in capsys.readouterr().out
    (error,) = validate(xml.read_text()).iter("error")
    assert "no such file" in error.attrib["message"]


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        ('[[capture]]\nname = "x"\n', "capture 3: lacks file"),
        ('[[capture]]\nfile = "x"\nlimts = {}\n', "did you mean 'limits'"),
        ('[[capture]]\nfile = "x"\ndesign = "nothing_like"\n', "no preset"),
        ('[[capture]]\nfile = "x"\nset = ["volum=1"]\n', "capture 3: unknown value"),
        ('[[capture]]\nfile = "x"\nsettings = {bnad = "1kHz"}\n', "did you mean 'band'"),
        ("[[capture]\n", "is not TOML"),
    ],
)
def test_faulty_suites_get_one_line(bench, tmp_path, capsys, extra, message):
    assert main(["check", suite(tmp_path, bench, extra)]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert told.count("\n") == 1


def test_results_do_not_depend_on_threads(bench, tmp_path):
    text, told = suite(tmp_path, bench, count=4), []
    for threads in ("1", "3"):
        file = tmp_path / f"{threads}.json"
        main(["check", text, "--json", str(file), "--threads", threads])
        told.append(json.loads(file.read_text())["results"])
    assert told[0] == told[1]


def test_plots(bench, tmp_path):
    for suffix in ("png", "svg"):
        picture = tmp_path / f"a.{suffix}"
        arguments = ["check", str(bench / "wrong.csv"), "--design", PRESET, "--plot", str(picture)]
        main(arguments)
        assert picture.stat().st_size > 10_000
    assert main(arguments) == 2
    assert main(["check", suite(tmp_path, bench), "--plot", str(tmp_path / "all")]) == 1
    assert len(list((tmp_path / "all").glob("*.png"))) == 2


def test_fit_command(bench, tmp_path, capsys):
    """The wrong part is found, its design is written, and that design passes."""
    out = tmp_path / "fitted.toml"
    arguments = ["fit", str(bench / "wrong.csv"), "--design", PRESET, "--out", str(out),
                 "--free", "boost.emitter_resistor,boost.input_capacitor"]  # fmt: skip
    assert main(arguments) == 0
    told = capsys.readouterr()
    assert "ESR" in told.err
    assert "boost.emitter_resistor" in told.out
    wanted = 1.5 * load_design(PRESET).value("boost.emitter_resistor")
    fitted = load_design(out)
    lines = set(design_text(PRESET).splitlines()) ^ set(out.read_text().splitlines())
    assert len(lines) == 2, "the preset, its comments and order, but for the wrong part"
    assert fitted.value("boost.emitter_resistor") == pytest.approx(wanted, rel=1e-3)
    check = ["check", str(bench / "wrong.csv"), "--design", str(out), "--limit", "esr=-60dB"]
    assert main(check) == 0
    assert main(arguments) == 2
    assert "exists" in capsys.readouterr().err
    assert main([*arguments, "--overwrite", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["values"][0]["identifiable"]
