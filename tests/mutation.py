"""Break lines of the calculating and sealing rooms at random; every break has to be noticed.

    python -m tests.mutation [number] [--seed 1] [--only uncertainty]

Each mutant changes one place of one module: a comparison, a sign, a number, min for max, a branch,
a term, an argument.  It runs in a fork that loads the changed module in place of the real one,
against the quick tests that name the module, then the rest of its room's, and dies with the first
that fails.  Words are not touched: what `say` is given and what is raised.  Survivors are printed
with their place; those argued to change nothing stand in `mutation_equivalents.txt`.
"""

import argparse
import ast
import copy
import importlib.util
import os
import pickle
import random
import re
import resource
import signal
import sys
import tempfile
import time
from pathlib import Path

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "CI": "1"}

HERE = Path(__file__).parent
PACKAGE = HERE.parent / "dossier"
ROOMS = ("physics", "evidence", "decision", "archive")
OTHER = {"compare", "compare_json", "register"}
"""Modules of these rooms, by the start of their name, that neither decide, seal nor verify."""
QUICK, LIMIT = 0.5, 90
"""Processor time of the longest test that is run, and of all tests of one mutant [s]."""
MESSAGES = {"say", "say_count", "later", "words", "shown"}
HARMLESS = {"strict", "xtol", "rtol", "slots", "kw_only", "frozen"}
"""Arguments that no result hangs on: what they forbid does not come, or is finer than needed."""
COMPARE = {
    ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
}  # fmt: skip
ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult,
}  # fmt: skip
EXTREMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum",
            "any": "all", "all": "any"}  # fmt: skip


def changed(node, **values):
    made = copy.copy(node)
    for name, value in values.items():
        setattr(made, name, value)
    return made


def variants(node):
    """Yield what one node may be changed to."""
    if isinstance(node, ast.Compare):
        for at, op in enumerate(node.ops):
            for other in COMPARE[type(op)]:
                yield changed(node, ops=[*node.ops[:at], other(), *node.ops[at + 1 :]])
    elif isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        yield changed(node, op=ARITHMETIC[type(node.op)]())
        yield node.left
        yield node.right
    elif isinstance(node, ast.Constant) and type(node.value) in {int, float}:
        yield ast.Constant(node.value + 1)
        yield ast.Constant(node.value * 10 if node.value else -1)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.BoolOp):
        yield changed(node, op=ast.And() if isinstance(node.op, ast.Or) else ast.Or())
        yield from (changed(node, values=[v for v in node.values if v is not out])
                    if len(node.values) > 2 else next(v for v in node.values if v is not out)
                    for out in node.values)  # fmt: skip
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield from (node.body, node.orelse)
    elif isinstance(node, ast.If):
        yield changed(node, test=ast.Constant(False))
        yield changed(node, test=ast.UnaryOp(ast.Not(), node.test))
    elif isinstance(node, ast.Call):
        yield from called(node)


def called(node):
    name = getattr(node.func, "id", getattr(node.func, "attr", ""))
    if name in EXTREMES:
        field = "id" if isinstance(node.func, ast.Name) else "attr"
        yield changed(node, func=changed(node.func, **{field: EXTREMES[name]}))
    if name in {"abs", "max", "min"} and not any(isinstance(a, ast.Starred) for a in node.args):
        yield from node.args if len(node.args) < 3 and not node.keywords else ()
    for each in (k for k in node.keywords if k.arg not in HARMLESS):
        yield changed(node, keywords=[k for k in node.keywords if k is not each])


def sites(node, inside=""):
    """Yield (parent, field, position, node, name of the function) of all that may be changed."""
    for field, value in ast.iter_fields(node):
        if field in {"annotation", "returns", "decorator_list", "bases", "type_params"}:
            continue
        for at, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(child, ast.AST) or isinstance(child, (ast.Raise, ast.JoinedStr)):
                continue
            if isinstance(child, ast.Call) and getattr(child.func, "id", "") in MESSAGES:
                continue
            if isinstance(child, ast.keyword) and child.arg in HARMLESS:
                continue
            named = isinstance(child, (ast.FunctionDef, ast.ClassDef))
            yield (node, field, at, child, inside)
            yield from sites(child, f"{inside}.{child.name}".strip(".") if named else inside)  # type: ignore[attr-defined]


def mutants(path):
    """Return (place, change, how to make it) of everything that a module can be changed in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return tree, [
        (f"{path.stem}.{inside}:{node.lineno}", told(node, other), (parent, field, at, other))
        for parent, field, at, node, inside in sites(tree)
        for other in variants(node)
    ]


def told(node, other):
    old, new = (ast.unparse(x.test if isinstance(node, ast.If) else x) for x in (node, other))
    return f"{old}  ->  {new}"


def compiled(tree, path, change):
    """Return the code of a module with one change; the tree stays what it was."""
    parent, field, at, other = change
    holder = getattr(parent, field) if at is not None else parent
    key = at if at is not None else field
    take, put = (
        (holder.__getitem__, holder.__setitem__)
        if at is not None
        else (lambda k: getattr(holder, k), lambda k, v: setattr(holder, k, v))
    )
    before = take(key)
    put(key, ast.copy_location(other, before))
    try:
        return compile(ast.fix_missing_locations(tree), str(path), "exec", dont_inherit=True)
    finally:
        put(key, before)


class Changed:
    """Loads one module from the given code, all others as ever."""

    def __init__(self, path, code):
        self.path, self.code = path, code

    def find_spec(self, name, path=None, target=None):
        dotted = ".".join(self.path.relative_to(PACKAGE.parent).with_suffix("").parts)
        if name != dotted.removesuffix(".__init__"):
            return None
        return importlib.util.spec_from_file_location(name, self.path, loader=self)

    def create_module(self, spec):
        return None

    def exec_module(self, module):
        exec(self.code, module.__dict__)


class Watch:
    """Runs only what is quick, and keeps how long each test took and what failed."""

    def __init__(self, skip=()):
        self.skip, self.took, self.failed = set(skip), {}, set()

    def pytest_collection_modifyitems(self, items):
        items[:] = [each for each in items if each.nodeid not in self.skip]

    def pytest_runtest_logstart(self, nodeid):
        self.took[nodeid] = -time.process_time()

    def pytest_runtest_logfinish(self, nodeid):
        self.took[nodeid] += time.process_time()

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.add(report.nodeid)


def forked(work, limit):
    """Return what `work` returns in a fork of its own, None where it takes too long or breaks."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.setpgrp()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        with os.fdopen(writer, "wb") as out:
            pickle.dump(work(), out)
            out.flush()
            os._exit(0)
    os.close(writer)
    end = time.monotonic() + limit
    done = 0
    while not done and time.monotonic() < end:
        done, _ = os.waitpid(child, os.WNOHANG)
        time.sleep(0.0 if done else 0.02)
    if not done:
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
    with os.fdopen(reader, "rb") as found:
        try:
            return pickle.load(found)
        except EOFError:
            return None


def run_tests(files, watch, *, first: bool = True):
    import pytest

    options = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow and not long"]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*options, *(["-x"] if first else []), *map(str, files)], [watch]))


def survives(path, code, skip):
    """Return whether all tests pass with a module's code in place of what is in its file."""

    def work():
        resource.setrlimit(resource.RLIMIT_CPU, (LIMIT, LIMIT))
        sys.meta_path.insert(0, Changed(path, code))
        watch = Watch(skip)
        every = (run_tests(files, watch) for files in related(path) if files)
        return all(code in {0, 5} for code in every)  # 5: none of them is quick

    return forked(work, 20.0 * LIMIT) is True


def baseline(room):
    """Return which tests of a room are too slow or fail as it is, and what they import.

    Kept in a file of the system's temporary folder for as long as no test of the room changes.
    """
    newest = max(file.stat().st_mtime for file in (HERE / room).rglob("*.py"))
    kept = Path(tempfile.gettempdir()) / f"mutation-{room}-{newest:.0f}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())

    def work():
        watch = Watch()
        run_tests([HERE / room], watch, first=False)
        slow = {name for name, took in watch.took.items() if took > QUICK}
        return slow | watch.failed, watch.failed, [n for n in sys.modules if ours(n) is False]

    found = forked(work, 3600.0)
    kept.write_bytes(pickle.dumps(found))
    return found


def ours(name):
    return name.partition(".")[0] in {"dossier", "tests", "__main__"} or name.startswith("test_")


def related(path):
    """Return the test files that import a module or go by its name, and the rest of its room."""
    room = sorted((HERE / path.relative_to(PACKAGE).parts[0]).glob("test_*.py"))
    named = re.compile(rf"\b{path.stem} import|import {path.stem}\b")
    every = (file for each in ROOMS for file in sorted((HERE / each).glob("test_*.py")))
    near = [file for file in every if named.search(file.read_text(encoding="utf-8"))]
    first = path.stem.split("_")[0]
    near += [f for f in room if f.stem.split("_")[1] == first and f not in near]
    near.sort(key=lambda file: file.stem != f"test_{path.stem}")
    return near, [file for file in room if file not in near]


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("number", nargs="?", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", default="", help="expression in the path of a module")
    asked = ask.parse_args()
    paths = [
        path
        for path in (p for room in ROOMS for p in sorted((PACKAGE / room).rglob("*.py")))
        if re.search(asked.only, str(path)) and not any(path.stem.startswith(o) for o in OTHER)
    ]
    trees = {path: mutants(path) for path in paths}
    every = [(path, *mutant) for path, (_, found) in trees.items() for mutant in found]
    sample = random.Random(asked.seed).sample(every, min(asked.number, len(every)))
    lines = (HERE / "mutation_equivalents.txt").read_text(encoding="utf-8").splitlines()
    argued = {line.partition("  #")[0].strip() for line in lines}
    rooms = {*ROOMS[:3], *(path.relative_to(PACKAGE).parts[0] for path, *_ in sample)}
    skip = set()
    for room in sorted(rooms):
        slow, failed, modules = baseline(room)
        skip |= slow
        print(f"{room}: {len(slow)} tests left out as slow", *sorted(failed), flush=True)
        for name in modules:
            try:
                __import__(name)
            except Exception:  # noqa: BLE001  # what it needs is loaded in the fork then
                continue
    for path in {p.relative_to(PACKAGE).parts[0]: p for p in paths}.values():
        unchanged = compile(path.read_text("utf-8"), str(path), "exec", dont_inherit=True)
        if not survives(path, unchanged, skip):
            sys.exit(f"the tests of {path} fail without any change")
    died = equivalent = 0
    for number, (path, place, change, how) in enumerate(sample, 1):
        name = f"{place.partition(':')[0]}  {change}"
        if name in argued:
            equivalent += 1
            continue
        if survives(path, compiled(trees[path][0], path, how), skip):
            print(f"{number}: survived: {place}  {change}", flush=True)
        else:
            died += 1
        if number % 25 == 0:
            print(f"{number}: {died} died", flush=True)
    print(f"{died} of {len(sample) - equivalent} died, {equivalent} argued equivalent")
    return 0


if __name__ == "__main__":
    sys.exit(main())
