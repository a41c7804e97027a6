"""Where an object store is named and how it is reached: nothing secret in settings or messages."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from pyarrow import fs

from pipeline.errors import ConfigError, LakeError
from pipeline.lake import Lake
from pipeline.objects import Bucket, plain
from pipeline.settings import read_settings

AWS = (
    "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN", "AWS_REGION", "AWS_DEFAULT_REGION",
    "AWS_ENDPOINT_URL", "AWS_ALLOW_HTTP",
)


@pytest.fixture(autouse=True)
def _nothing_set(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in AWS:
        monkeypatch.delenv(name, raising=False)


def test_a_uri_in_a_settings_file_is_no_path_beside_it(tmp_path: Path) -> None:
    config = tmp_path / "lightoff.toml"
    config.write_text('lake = "s3://fleet/vans"\n', encoding="utf-8")
    lake = Lake(read_settings(config).lake)
    assert (lake.uri, lake.root) == ("s3://fleet/vans", None)


def test_a_lake_in_a_folder_is_named_by_its_path(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path / "lake"))
    assert (lake.uri, lake.root, lake.scratch) == (str(tmp_path / "lake"), tmp_path / "lake", tmp_path / "lake")


@pytest.mark.parametrize("uri", ["s3://key:secret@fleet/vans", "s3:///vans", "s3://fleet/vans?key=secret"])
def test_keys_in_the_uri_are_refused_and_not_repeated(uri: str) -> None:
    with pytest.raises(LakeError, match=r"s3://bucket/prefix and nothing more; keys belong into the AWS_\*") as refused:
        Lake(uri)
    assert "secret" not in str(refused.value)


def test_other_stores_are_refused() -> None:
    with pytest.raises(ConfigError, match="`lake` is a folder or s3://bucket/prefix, not gs://"):
        Lake("gs://fleet/vans")


def test_one_key_without_the_other_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "AKIATESTONLY0001")
    with pytest.raises(LakeError, match="s3://fleet/vans: set both AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"):
        Lake("s3://fleet/vans")


def test_readings_go_over_a_line_without_tls_only_with_leave(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://store.invalid:9000")
    with pytest.raises(LakeError, match="AWS_ENDPOINT_URL has no TLS; .* set AWS_ALLOW_HTTP=true"):
        Lake("s3://fleet/vans")
    monkeypatch.setenv("AWS_ALLOW_HTTP", "true")
    assert Bucket("s3://fleet/vans").options["aws_endpoint_url"] == "http://store.invalid:9000"


def test_a_full_temporary_folder_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "part.parquet").write_bytes(b"rows")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("shutil.copyfileobj", full)
    lake = Lake("s3://fleet/vans")
    lake._store._files = fs.SubTreeFileSystem(str(tmp_path), fs.LocalFileSystem())
    with pytest.raises(LakeError, match=f"no space for copies in {lake.scratch}; free some, or set TMPDIR"):
        with lake.on_disk(["s3://fleet/vans/part.parquet"]):
            raise AssertionError("copied")


def test_what_a_store_answers_is_told_without_its_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "a-secret")
    answer = (
        "Generic S3 error \x1b[31m↳\x1b[0m 403 <Error><Code>InvalidAccessKeyId</Code><Message>No such key.</Message>"
        "<AWSAccessKeyId>AKIATESTONLY0001</AWSAccessKeyId></Error>"
    )
    assert plain(OSError(answer)) == "the store answered InvalidAccessKeyId (No such key.)"
    assert plain(OSError("cut\n \x1b[31m↳\x1b[0m after a-secret")) == "cut after ***"
    assert plain(OSError("x" * 5000)) == "x" * 300 + " ..."
