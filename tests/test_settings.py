"""Settings: one declaration; the file that documents it; sentences for every fault."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.errors import UsageError
from pipeline.model.options import Options
from pipeline.settings import default_toml, load_options, packaged, profiles


def test_default_toml_is_the_declared_settings() -> None:
    text = (packaged("configs") / "default.toml").read_text()
    assert text == default_toml(), "run: python -m pipeline.settings"
    assert Options.model_validate(tomllib.loads(text)) == Options()


def test_every_setting_has_a_comment_and_a_line() -> None:
    lines = default_toml().splitlines()
    for section, field in Options.model_fields.items():
        for key, setting in field.annotation.model_fields.items():  # type: ignore[union-attr]
            assert setting.description, f"{section}.{key} has no comment"
            assert any(line.startswith(f"{key} = ") and "  # " in line for line in lines)


@pytest.mark.parametrize(
    ("name", "audience", "loudness"),
    [("web", "public", -14.0), ("lecture", "teaching", -18.0), ("broadcast", "public", -23.0)],
)
def test_profiles(name: str, audience: str, loudness: float) -> None:
    """-23 LUFS: EBU R 128; the others are common practice, no source."""
    output = load_options(name).output
    assert (output.profile, output.audience, output.loudness_lufs) == (name, audience, loudness)
    assert output.true_peak_dbtp <= -1.0
    assert (output.crf, output.x264_preset) == (20, "veryfast")


def test_the_accessible_profile_has_the_depth_of_wcag() -> None:
    """20 dB: WCAG 2.x, success criterion 1.4.7; 15 LU: JAES 67(12), 2019."""
    accessible = load_options("accessible")
    assert accessible.sound.ducking_depth_lu == 20.0 and accessible.output.profile == "accessible"
    assert accessible.output.audience == "public"
    assert load_options("web").sound.ducking_depth_lu == 15.0


def test_mark_default_text() -> None:
    assert load_options().mark.text == "TEACHING COPY"


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[mark]\ntxet = 'A'\n", ["mark.txet", "text"]),
        ("[output]\ncrf = 99\n", ["output.crf", "99", "35"]),
        ("[output]\nloudness_lufs = 'loud'\n", ["output.loudness_lufs", "loud"]),
        ("[marks]\n", ["marks", "mark"]),
        ("[mark]\nvisibility_low = 11\nvisibility_high = 12\n", ["visibility_high"]),
        ("[lens]\nfog = 'blur'\n", ["lens.fog", "blur", "keep"]),
        ("not toml", ["TOML"]),
        ("[output]\ntrue_peak_dbtp = 0.0\n", ["output.true_peak_dbtp", "-1"]),
    ],
)
def test_a_fault_is_named(tmp_path: Path, text: str, named: list[str]) -> None:
    config = tmp_path / "c.toml"
    config.write_text(text)
    with pytest.raises(UsageError) as caught:
        load_options("web", config)
    for word in named:
        assert word in str(caught.value)
    assert caught.value.exit_code == 2


def test_layers_of_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "fieldstop"
    (folder / "profiles").mkdir(parents=True)
    (folder / "settings.toml").write_text("[mark]\ntext = 'OWN'\n[output]\ncrf = 25\n")
    (folder / "profiles" / "society.toml").write_text(
        "[output]\nprofile = 'society'\naudience = 'teaching'\nloudness_lufs = -16.0\n"
    )
    config = tmp_path / "c.toml"
    config.write_text("[output]\ncrf = 30\n")
    assert "society" in profiles()
    options = load_options("society", config)
    assert (options.mark.text, options.output.crf) == ("OWN", 30)
    assert options.output.loudness_lufs == -16.0
    # One's own that does not say its name is called like its file: not taken for 'web'.
    (folder / "profiles" / "ward.toml").write_text("[mark]\ncount = 2\n")
    assert load_options("ward").output.profile == "ward"
    with pytest.raises(UsageError, match="no such profile"):
        load_options("nowhere")
    with pytest.raises(UsageError, match="not found"):
        load_options("web", tmp_path / "missing.toml")
