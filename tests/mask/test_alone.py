"""What labels of a radio recording alone settle of its key, and what they do not."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from tests.mask import blind

from tapwright.cli.main import main


def recorded(folder: Path, style: str, seed: int, *, adds: bool = False, moves: bool = True,
             check: bool = False) -> tuple[str, str, list[int], list[bytes]]:
    """Write 30 labelled displays, ten frames each, under a key; return radio, labels, the key and the wire frames."""
    rng = random.Random(seed)
    key = [rng.randrange(1, 256) for _ in range(12)]
    rows, labels, wire = [], ["capture,start_s,end_s,display,unit,flags"], []
    for k in range(30):
        digits = f"{rng.randrange(1000, 10000)}"
        point = rng.choice([1, 2, 3]) if moves else 2
        shown = f"{digits[:point]}.{digits[point:]}"
        body = {"text": shown.encode(), "bcd": bytes.fromhex(digits) + bytes([1 << point]),
                "segments": bytes(blind.SEGMENTS[int(c)] | (0x80 if i == point - 1 else 0) for i, c in enumerate(digits))}
        frame = b"\x5a\xa5\x10" + body[style]
        value = 0
        for byte in frame:
            value ^= byte
        frame += bytes([value]) if check else b"\x0d"
        wire.append(frame)
        sent = bytes((b + m) & 0xFF if adds else b ^ m for b, m in zip(frame, key, strict=False))
        rows += [(0.3 * (10 * k + i), sent) for i in range(10)]
        labels.append(f"radio.csv,{3 * k + 0.2},{3 * k + 2.8},{shown},mg/L,")
    radio, path = folder / "radio.csv", folder / "labels.csv"
    radio.write_text("t_s,hex\n" + "".join(f"{t_s:.3f},{frame.hex(' ')}\n" for t_s, frame in rows))
    path.write_text("\n".join(labels) + "\n")
    return str(radio), str(path), key[:len(wire[0])], wire


@pytest.mark.slow
@pytest.mark.parametrize(("style", "settled"), [("text", range(3, 8)), ("bcd", range(3, 5))])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_plain_code_settles_its_bytes(style: str, settled: range, seed: int, tmp_path: Path,
                                        capsys: pytest.CaptureFixture[str]) -> None:
    """ASCII with a moving point and packed BCD: the bytes under the digits are known, each right, no other is said."""
    radio, labels, key, wire = recorded(tmp_path, style, seed)
    out = str(tmp_path / "mask.toml")
    assert main(["unmask", radio, "--labels", labels, "--out", out, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["kind"] == "xor"
    found = document["key"].split()
    assert [found[i] == f"{key[i]:02X}" for i in settled] == [True] * len(settled)
    assert all(byte == "??" for i, byte in enumerate(found) if i not in settled)
    assert (document["determined_bits"], document["total_bits"]) == (8 * len(settled), 8 * len(key))
    assert document["undetermined"][0]["at"] == [i for i in range(len(key)) if i not in settled]
    frames = str(tmp_path / "frames.csv")
    assert main(["unmask", "--apply", out, radio, "--out", frames, "--json"]) == 0
    first = Path(frames).read_text().splitlines()[1].split(",")[1].replace(" ", "")
    plain = wire[0].hex().upper()
    assert first.upper() == "".join(plain[2 * i:2 * i + 2] if i in settled else "??" for i in range(len(key)))


@pytest.mark.slow
def test_a_known_start_joins_the_labels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Labels show that the key is xored, and the start then gives its first bytes."""
    radio, labels, key, _ = recorded(tmp_path, "text", 4)
    assert main(["unmask", radio, "--labels", labels, "--start", "5A A5 10", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["key"].split()
    assert found[:8] == [f"{byte:02X}" for byte in key[:8]]
    assert found[8] == "??"


@pytest.mark.slow
def test_what_labels_do_not_settle(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Segments have no code of their own, and a fixed point leaves ASCII open: no key, but the map is learned."""
    for style, moves, words in (("segments", True, "settle no bit of a key"), ("text", False, "of no byte all eight")):
        radio, labels, _, _ = recorded(tmp_path, style, 5, moves=moves)
        assert main(["unmask", radio, "--labels", labels]) == 1
        said = capsys.readouterr().out
        assert "The reading map was learned from the masked frames as they are" in said
        assert "30 of 30 labels agree" in said
        assert words in said


@pytest.mark.slow
def test_an_added_key_is_not_called_xored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Carries of an added key do not fit a xored one: nothing is claimed."""
    for seed in range(6, 10):
        radio, labels, _, _ = recorded(tmp_path, "text", seed, adds=True)
        assert main(["unmask", radio, "--labels", labels, "--json"]) == 1
        assert json.loads(capsys.readouterr().out)["kind"] is None


@pytest.mark.slow
def test_a_check_under_a_key_is_named_with_its_rank(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An exclusive or outlives a xored key with another constant or a CRC with other constants: said, not solved."""
    import anycrc
    rng = random.Random(3)
    key = [rng.randrange(1, 256) for _ in range(11)]
    crc = anycrc.CRC(16, 0x8005, 0xFFFF, True, True, 0)
    rows = []
    for i in range(80):
        front = b"\x5a\xa5" + rng.randbytes(4) + b"\x01\x02\x03"
        frame = front + int(crc.calc(front)).to_bytes(2, "little")
        rows.append((0.3 * i, bytes(b ^ m for b, m in zip(frame, key, strict=True))))
    radio = tmp_path / "radio.csv"
    radio.write_text("t_s,hex\n" + "".join(f"{t_s:.3f},{frame.hex(' ')}\n" for t_s, frame in rows))
    assert main(["unmask", str(radio), "--start", "5A A5"]) == 1
    said = capsys.readouterr().out
    assert "crc16 (polynomial 0x8005)" in said
    assert "rank 16" in said
    assert f"its first 2 bytes are {key[0]:02X} {key[1]:02X} xored" in said


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_start_labels_and_a_check_are_counted_together(seed: int, tmp_path: Path,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    """The account of the key: who settles which bits, how many stay open, what a check would add, what to do next.

    The frames' CRC comes from the library anycrc; its true constants are among the answers, with the true key.
    """
    import anycrc
    crc = anycrc.CRC(16, 0x1021, 0xFFFF, False, False, 0)
    radio, labels, key, wire = recorded(tmp_path, "text", seed)
    key = [*key[:8], 0x3C, 0xA7]
    rows = []
    for k, frame in enumerate(wire):
        front = frame[:8]
        sent = front + int(crc.calc(front)).to_bytes(2, "big")
        masked = bytes(b ^ m for b, m in zip(sent, key, strict=True))
        rows += [(0.3 * (10 * k + i), masked) for i in range(10)]
    Path(radio).write_text("t_s,hex\n" + "".join(f"{t_s:.3f},{frame.hex(' ')}\n" for t_s, frame in rows))
    assert main(["unmask", radio, "--labels", labels, "--start", "5A A5 10", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["key"].split() == [f"{byte:02X}" for byte in key[:8]] + ["??", "??"]
    start, shown, check = document["settled_by"]
    assert (start["by"], start["bits"], start["at"]) == ("start", 24, [0, 1, 2])
    assert (shown["by"], shown["bits"], shown["at"]) == ("labels", 40, [3, 4, 5, 6, 7])
    assert (check["by"], check["kind"], check["poly"], check["bits"]) == ("check", "crc16", "0x1021", 16)
    answers = {(one["init"], one["xorout"]): one["key"] for one in check["if"]}
    assert answers["0xFFFF", "0x0000"] == "3C A7"
    assert all(one["at"] == [8, 9] for one in check["if"])
    assert document["open_bits"] == 16
    assert len(document["next"]) == 1
    assert "the same time" in document["next"][0]["do"]


@pytest.mark.slow
def test_an_exclusive_or_under_a_key_gives_its_byte(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Text, a start and a plain exclusive or of all before it: said as an if, each byte that follows right."""
    radio, labels, key, wire = recorded(tmp_path, "text", 11, check=True)
    assert main(["unmask", radio, "--labels", labels, "--start", "5A A5 10", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    answer, = document["settled_by"][2]["if"]
    assert (answer["at"], answer["key"]) == ([len(wire[0]) - 1], f"{key[len(wire[0]) - 1]:02X}")
    assert document["open_bits"] == 8
