"""Nothing that is not to be kept passes the door: every byte of the lake and of what is printed is searched."""

from __future__ import annotations

import gzip
import hashlib
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline import cli
from pipeline.errors import ConfigError
from pipeline.exports.vins import Vins, is_vin, masked
from pipeline.lake import Lake
from pipeline.settings import read_settings
from pipeline.tables import tables
from tests.faults.lakes import content, fleet, one, reasons, rejects, run, write

# Made up: 17 characters as ISO 3779 has them, of no maker that there is.
VIN, OTHER_VIN = "ZZZAB12CD3E456789", "YY9XX8WW7V6543210"
KEY = "a-secret-of-the-fleet-0123456789"
LATITUDE, LONGITUDE, DRIVER, PHONE = "47.816253", "13.047198", "Annabel Quillfeather", "+43 660 5550199"
PLACE = f"{LATITUDE},{LONGITUDE},{DRIVER},{PHONE}"
NAMES = "latitude,longitude,driver name,phone"
SECRETS = (VIN, OTHER_VIN, KEY, LATITUDE, LONGITUDE, DRIVER, "Quillfeather", PHONE, "5550199")
AT = "2026-01-05T08:00:"


def wide(unit: str) -> str:
    return (
        f"unit_id,ts,rpm,coolant_degc,{NAMES},vin\n"
        f"{unit},{AT}00Z,800,90,{PLACE},{VIN}\n"
        f"V7,{AT}01Z,800,90,{PLACE},{VIN}\n"
        f"V7,{AT}02Z,800,{PLACE},{VIN}\n"  # a cell short
        f"V7,{AT}03Z,800,90,{PLACE},{VIN},9\n"  # a cell long
        f'V7,"{AT}04Z,800,90,{PLACE},{VIN}\n'  # a quotation mark never closed
        f"V7,{AT}05Z,\0,90,{PLACE},{VIN}\n"
        f"V7,{AT}06Z,{VIN},90,{PLACE},{VIN}\n"
        f"V7,{VIN},800,90,{PLACE},{VIN}\n"
        f"V7,{AT}07Z,99999,90,{PLACE},{VIN}\n"
    )


def long(unit: str) -> str:
    return (
        f"unit_id,ts,signal,value,unit,{NAMES}\n"
        f"{unit},{AT}00Z,rpm,800,1/min,{PLACE}\n"
        f"V7,{AT}01Z,latitude,{LATITUDE},deg,{PLACE}\n"
        f"V7,{AT}01Z,driver,{DRIVER},,{PLACE}\n"
        f"V7,{AT}01Z,{VIN},1,,{PLACE}\n"
        f"V7,{AT}01Z,rpm,1,{VIN},{PLACE}\n"
        f"V7,{AT}02Z,rpm,800,{PLACE}\n"
    )


def raw(unit: str) -> str:
    carried = " ".join(f"{byte:02X}" for byte in VIN.encode())
    return (
        f"unit_id,ts,response,{NAMES}\n"
        f"{unit},{AT}00Z,41 0C 0C 80,{PLACE}\n"
        f"V7,{AT}01Z,49 02 01 {carried},{PLACE}\n"
        f"V7,{AT}02Z,4902 01{carried.replace(' ', '')},{PLACE}\n"
        f"V7,{AT}03Z,{VIN},{PLACE}\n"
        f"V7,{AT}04Z,{PLACE}\n"
        f"{unit},{AT}05Z,43 01 04 20,{PLACE}\n"
    )


def register(unit: str) -> str:
    return (
        f"unit_id,engine_family,fuel,depot,{NAMES},vin\n"
        f"{unit},T12,petrol,North {VIN},{PLACE},{VIN.lower()}\n"
        f"V7,T12,steam {OTHER_VIN},North,{PLACE},{OTHER_VIN}\n"
        f"V8,T12,petrol,North,{PLACE},{VIN[:9]}-{VIN[9:]}\n"
        f"V9,T12,petrol,{PLACE},{VIN}\n"
    )


def orders(unit: str) -> str:
    return (
        f"order_id,unit_id,closed_on,component,action,finding,cause,{NAMES}\n"
        f'W-{VIN},{unit},2026-01-08,B1S1,replaced,confirmed,"aged; {VIN}, seen",{PLACE}\n'
        f"W2,V7,2026-01-08,{VIN},replaced,confirmed,,{PLACE}\n"
        f"W3,V7,2026-01-08,B1S1,replaced,confirmed,{PLACE}\n"
    )


def codes(unit: str) -> str:
    return f"unit_id,ts,code,state,{NAMES}\n{unit},{AT}00Z,P0420,pending,{PLACE}\nV7,{AT}00Z,{VIN},pending,{PLACE}\n"


INPUTS = {"wide": wide, "long": long, "raw": raw, "register": register, "orders": orders, "codes": codes}


def planted(folder: Path) -> Path:
    """Every input with every secret, as text, packed and as Parquet, under names that hold one too."""
    for name, text in INPUTS.items():
        write(folder / f"{VIN}_{name}.csv", text(VIN))
        write(folder / OTHER_VIN / f"{name}.csv.gz", gzip.compress((text("V1") + "\n").encode()))
        even = [line for line in text(OTHER_VIN).split("\n") if "\0" not in line and line.count('"') != 1]
        width = even[0].count(",")
        even = [line for line in even if '"' in line or line.count(",") == width]
        frame = pl.read_csv(io.StringIO("\n".join(even)), infer_schema=False)
        frame.write_parquet(folder / f"{name}-{OTHER_VIN}.parquet")
    write(folder / "headless.csv", "\n".join(wide(VIN).split("\n")[1:]))
    write(folder / f"notes {VIN}.txt", "x")
    return folder


def everything(root: Path) -> str:
    """All tables as text and all files as bytes."""
    lake = Lake(str(root))
    texts = [lake.read(name).write_csv() for name, declared in tables().items() if declared.stored]
    for path in sorted(path for path in root.rglob("*") if path.is_file()):
        texts += [str(path.relative_to(root)), path.read_bytes().decode("latin-1")]
        if path.suffix == ".parquet":
            texts.append(pl.read_parquet(path, hive_partitioning=False).write_csv())
    return "\n".join(texts)


def found(text: str) -> list[str]:
    """Secrets in a text, in any case of letters, and as hexadecimal bytes."""
    low = text.lower()
    bare = re.sub(r"\s", "", low)
    spelled = [secret for secret in SECRETS if secret.encode().hex() in bare]
    return [secret for secret in SECRETS if secret.lower() in low] + spelled


@pytest.mark.parametrize("key", [None, KEY])
def test_no_secret_is_in_the_lake_or_in_what_is_printed(tmp_path, monkeypatch, capsys, key):
    monkeypatch.delenv("LIGHTOFF_VIN_KEY", raising=False)
    if key:
        monkeypatch.setenv("LIGHTOFF_VIN_KEY", key)
    monkeypatch.setattr(cli, "_now", lambda: datetime(2026, 3, 2, tzinfo=UTC))
    exports = planted(tmp_path / "in")
    config = write(tmp_path / "lightoff.toml", f'lake = "lake"\nout = "out"\nexports = ["{exports}"]\nbuckets = 2\n')
    for words in (["ingest"], ["quarantine"], ["quarantine", "retry"], ["nightly"], ["why", "V7"], ["check"]):
        monkeypatch.setattr("sys.argv", ["lightoff", "--config", str(config), *words])
        with pytest.raises(SystemExit):
            cli.main()
    said = capsys.readouterr()
    assert found(said.out + said.err) == []
    assert found(everything(tmp_path / "lake")) == []
    # The search does see what is kept, and the lake is not empty.
    assert "V7" in everything(tmp_path / "lake") and "latitude longitude driver_name phone" in said.out
    assert found("x" + VIN.lower()) == [VIN] and found(OTHER_VIN.encode().hex(" ")) == [OTHER_VIN]


def test_with_a_key_every_input_names_the_vehicle_alike(tmp_path):
    settings, lake = fleet(tmp_path)
    for name, text in INPUTS.items():
        run(settings, lake, write(tmp_path / f"{name}.csv", text(VIN if name != "long" else VIN.lower())), vin_key=KEY)
    name = "vin-" + Vins(KEY).hashed(VIN)[:16]
    for table in ("readings", "codes", "register", "work_orders"):
        assert name in content(lake, table)["unit_id"].to_list(), table
    hashes = dict(lake.read("register").select("unit_id", "vin_hash").rows())
    assert hashes == {name: Vins(KEY).hashed(VIN), "V7": Vins(KEY).hashed(OTHER_VIN), "V8": None}
    assert lake.read("work_orders")["order_id"].to_list() == [f"W-{name}"]
    assert lake.read("work_orders")["cause"].to_list() == ["aged; (VIN), seen"]
    assert all(re.fullmatch("[0-9a-f]{32}", text) for text in hashes.values() if text)


def test_another_key_gives_another_hash():
    assert Vins(KEY).hashed(VIN) == Vins(KEY).hashed(f" {VIN.lower()} ") != Vins(KEY + "x").hashed(VIN)


def test_hash_is_hmac_sha256():
    """RFC 2104, section 2, written out with SHA-256."""
    key = "key"
    block = key.encode().ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + VIN.encode()).digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).hexdigest()
    assert Vins(key).hashed(VIN) == outer[:32]


def test_without_a_key_the_row_is_set_apart_and_the_report_says_how_to_set_one(tmp_path):
    settings, lake = fleet(tmp_path)
    line = one(run(settings, lake, write(tmp_path / "a.csv", f"unit_id,ts,rpm\n{VIN},{AT}00Z,800\nV1,{AT}00Z,1\n")))
    assert (line["kept"], line["quarantined"]) == (1, 1)
    assert rejects(lake) == [(2, "row", "unit_id", "(VIN)")]
    assert "LIGHTOFF_VIN_KEY" in reasons(lake)
    text = f"unit_id,engine_family,fuel,vin\nV1,T12,petrol,{VIN}\n"
    line = one(run(settings, lake, write(tmp_path / "b.csv", text)))
    assert line["dropped"] == "vin" and "LIGHTOFF_VIN_KEY" in line["notes"]
    assert lake.read("register")["vin_hash"].to_list() == [None]


def test_a_hash_stays_where_the_key_or_the_column_is_missing_or_the_number_is_odd(tmp_path):
    settings, lake = fleet(tmp_path)
    head = "unit_id,engine_family,fuel,vin\n"
    run(settings, lake, write(tmp_path / "a.csv", f"{head}V1,T12,petrol,{VIN}\n"), vin_key=KEY)
    known = lake.read("register")["vin_hash"].to_list()
    run(settings, lake, write(tmp_path / "b.csv", f"{head}V1,T13,petrol,{VIN}\n"))
    run(settings, lake, write(tmp_path / "c.csv", "unit_id,engine_family,fuel\nV1,T14,petrol\n"), vin_key=KEY)
    run(settings, lake, write(tmp_path / "d.csv", f"{head}V1,T15,petrol,{VIN[:9]}\n"), vin_key=KEY)
    assert lake.read("register").select("engine_family", "vin_hash").rows() == [("T15", known[0])] and known[0]


def test_a_row_that_cannot_be_cut_is_shown_only_where_every_column_is_kept(tmp_path):
    settings, lake = fleet(tmp_path)
    run(settings, lake, write(tmp_path / "a.csv", f"unit_id,ts,rpm\nV1,{AT}00Z,800,5\n"))
    run(settings, lake, write(tmp_path / "b.csv", f"unit_id,ts,rpm,lat\nV1,{AT}00Z,800,48.1,5\nV1,{AT}00Z,800\n"))
    hidden = "not shown, the file has columns that are not kept"
    assert sorted(value for *_, value in rejects(lake)) == [
        f"3 cells; {hidden}", f"5 cells; {hidden}", f"V1,{AT}00Z,800,5",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "is_one"),
    [
        (VIN, True),
        (VIN.lower(), True),
        ("ZZZAB12CD3E45678", False),  # 16
        (VIN + "1", False),
        ("ZZZAB12CD3E45678I", False),  # letter I
        ("12345678901234567", False),  # no letter
        ("ABCDEFGHJKLMNPRST", False),  # no digit
        ("ZZZAB12CD3E45ABC9", False),  # one digit at the end
        ("ZZZAB12CD3E45A789", True),
    ],
)
def test_what_looks_like_one(text, is_one):
    assert is_vin(text) is is_one
    assert masked(f"a {text}, b/{text}.csv") == ("a (VIN), b/(VIN).csv" if is_one else f"a {text}, b/{text}.csv")


def test_the_key_is_no_setting(tmp_path, monkeypatch):
    monkeypatch.setenv("LIGHTOFF_VIN_KEY", KEY)
    assert KEY not in repr(read_settings(None)) + repr(vars(Vins(KEY)).keys())
    with pytest.raises(ConfigError, match="vin_key"):
        read_settings(write(tmp_path / "lightoff.toml", f'vin_key = "{KEY}"\n'))
