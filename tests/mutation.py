"""Break lines of the calculating and sealing rooms at random; every break has to be noticed.

    python -m tests.mutation [number] [--seed 1] [--only uncertainty]

Each mutant changes one place of one module: a comparison, a sign, a number, min for max, a branch,
a term, an argument.  Words are not touched: what `say` is given and what is raised.  The tests are
collected once, and a first run notes which functions each of them calls.  A mutant is a fork that
puts the changed code into the function and runs the tests that call it, the quickest first, until
one fails; what a module does while it is loaded is changed in a fork that loads everything anew.
A test that kills must pass by itself without the change.  Survivors are printed with their place;
those argued to change nothing stand in `mutation_equivalents.txt`.
"""

import argparse
import ast
import copy
import gc
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
import types
from collections import Counter
from functools import _lru_cache_wrapper as Cache
from pathlib import Path

import pytest

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "CI": "1"}

HERE = Path(__file__).parent
PACKAGE = HERE.parent / "dossier"
ROOMS = ("physics", "evidence", "decision", "record", "verify", "seal")
TESTS = ("physics", "evidence", "decision", "archive")
OPTIONS = ["-q", "-s", "--tb=no", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow and not long"]
OPTIONS += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
BUDGET = 20
"""Processor time of all tests of one mutant [s] when nothing is changed; five times are allowed."""
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
            yield (node, field, at, child, inside)
            name = child.name if isinstance(child, (ast.FunctionDef, ast.ClassDef)) else ""
            name = "=" if isinstance(child, ast.arguments) else name  # defaults: while loading
            yield from sites(child, f"{inside}.{name}".strip(".").replace(".=", "=") if name else inside)



def mutants(path):
    """Return a module's tree and (function, line, change, how to make it) of all its mutants."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return tree, [
        (inside, node.lineno, told(node, other), (parent, field, at, other))
        for parent, field, at, node, inside in sites(tree)
        for other in variants(node)
    ]


def told(node, other):
    old, new = (ast.unparse(x.test if isinstance(node, ast.If) else x) for x in (node, other))
    return f"{old}  ->  {new}"


def compiled(path, tree, change):
    """Return the code of a module with one change; the tree stays what it was."""
    parent, field, at, other = change
    holder, key = (parent.__dict__, field) if at is None else (getattr(parent, field), at)
    before = holder[key]
    holder[key] = ast.copy_location(other, before)
    try:
        return compile(ast.fix_missing_locations(tree), str(path), "exec", dont_inherit=True)
    finally:
        holder[key] = before


def dotted(path):
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)


class Changed:
    """Loads one module from the given code, all others as ever."""

    def __init__(self, path, code):
        self.path, self.code = path, code

    def find_spec(self, name, path=None, target=None):
        if name == dotted(self.path).removesuffix(".__init__"):
            return importlib.util.spec_from_file_location(name, self.path, loader=self)
        return None

    def create_module(self, spec):
        return None

    def exec_module(self, module):
        exec(self.code, module.__dict__)


def forked(work, seconds):
    """Return what `work` returns in a fork of its own, None where it takes too long or breaks."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.setpgrp()
        for out in (1, 2):
            os.dup2(os.open(os.devnull, os.O_WRONLY), out)
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 1))
        try:
            os.write(writer, pickle.dumps(work()))
        finally:
            os._exit(0)
    os.close(writer)
    end = time.monotonic() + 10 * seconds + 60
    while not (done := os.waitpid(child, os.WNOHANG)[0]) and time.monotonic() < end:
        time.sleep(0.02)
    if not done:
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
    with os.fdopen(reader, "rb") as found:
        answer = found.read()
    return pickle.loads(answer) if answer else None


class Found:
    """Keeps what failed; with names, also puts the collected tests into their order."""

    def __init__(self, names=None):
        self.names, self.failed = names, []

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collection_modifyitems(self, items):
        if self.names:
            items[:] = [item for item in items if item.nodeid in self.names]
            items.sort(key=lambda item: self.names.index(item.nodeid))


class Tests(Found):
    """The collected tests: how long each takes, and which functions it calls."""

    def __init__(self, work):
        super().__init__()
        self.work, self.calls, self.made, self.loading = work, {}, {}, set()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef):
        """Note what a shared fixture calls under its own name."""
        if fixturedef.scope == "function":
            return (yield)
        before, self.calls = self.calls, self.made.setdefault(named(fixturedef), {})
        try:
            return (yield)
        finally:
            self.calls = before

    def pytest_runtestloop(self, session):
        self.items = {item.nodeid: item for item in session.items}
        self.state, self.shared = session._setupstate, {}
        sys.setprofile(self.note)
        for item in self.items.values():  # what all tests share is made once, in this process
            every = [d for d in fixtures(item) if d.scope == "session"]
            if any(named(d) not in self.shared for d in every):
                self.shared |= {named(d): d for d in every}
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=item)
                self.state.teardown_exact(item.parent)
        sys.setprofile(None)
        living = gc.get_objects()
        self.caches = [o for o in living if isinstance(o, Cache) and ours(o.__module__)]
        self.functions = {}
        for each in (o for o in living if isinstance(o, types.FunctionType)):
            self.functions.setdefault(place(each.__code__), []).append(each)
        self.work(self)
        return True

    def note(self, frame, event, arg):
        if event == "call":
            self.calls[id(frame.f_code)] = frame.f_code

    def run(self, names):
        """Return the first of these tests that fails, "" where none does."""
        items = [self.items[name] for name in names]
        for item, following in zip(items, [*items[1:], *items[-1:]], strict=True):
            self.state.teardown_exact(item)
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self.failed:
                return item.nodeid
        return ""

    def observe(self, names, kept):
        """Write (seconds, functions called) of each test that passes; for a fork of its own."""
        called, seconds = {}, {}
        for name in names:
            self.calls, begun = called.setdefault(name, {}), time.process_time()
            sys.setprofile(self.note)
            self.run([name])
            sys.setprofile(None)
            seconds[name] = time.process_time() - begun
            if self.failed:
                print("left out, fails as it is:", self.failed.pop(), file=sys.stderr)
                del called[name]
                self.failed.clear()
        made = {name: codes.values() for name, codes in self.made.items()}
        known = {}
        for name, codes in called.items():
            every = [*codes.values()]
            for fixture in fixtures(self.items[name]):
                every += made.get(named(fixture), ())
            known[name] = seconds[name], places(every)
        kept.write_bytes(pickle.dumps(known))

    def load(self):
        """Return which functions are called while the package is loaded."""
        modules = [name for name in sys.modules if ours(name, "dossier")]
        forget("dossier")
        self.calls = {}
        sys.setprofile(self.note)
        for name in modules:
            importlib.import_module(name)
        sys.setprofile(None)
        return places(self.calls.values())

    def learn(self):
        """Observe the tests of each file, if not known since it was last written."""
        self.known = {}
        files = {}
        for name, item in self.items.items():
            files.setdefault(item.path, []).append(name)
        for file, names in files.items():
            at = f"mutation-{file.parent.name}-{file.stem}-{file.stat().st_mtime_ns}.pickle"
            kept = Path(tempfile.gettempdir(), at)
            if not kept.exists():
                forked(lambda names=names, kept=kept: self.observe(names, kept), 600)
            self.known |= pickle.loads(kept.read_bytes())
        self.loading = forked(self.load, 60)

    def chosen(self, path, function):
        """Return the tests of a function, or of a whole module, as far as the time allows."""
        word = re.compile(rf"\b{path.stem}\b")
        near = {f for f in {i.path for i in self.items.values()} if word.search(f.read_text())}
        found = []
        for name, (seconds, called) in self.known.items():
            file = self.items[name].path
            whole = not function and (file in near or any(p == str(path) for p, _ in called))
            if whole or (str(path), function) in called:
                found.append((path.stem not in file.stem, file not in near, seconds, name))
        names, total = [], 0.0
        for *_, seconds, name in sorted(found):
            total += seconds
            if total < BUDGET or not names:
                names.append(name)
        return names, total

    def killer(self, path, inside, code):
        """Return the test that notices the code of a module, "" for none, None for no end."""
        parts = inside.split(".")
        heads = (".".join(parts[:n]) for n in range(1, len(parts) + 1))
        head = next((h for h in heads if (str(path), h) in self.functions), "")
        function = "" if (str(path), head) in self.loading else head
        names, seconds = self.chosen(path, function)
        work = self.patched if function else self.anew
        return forked(lambda: work(path, function, code, names), 5 * min(seconds, BUDGET) + 5)

    def patched(self, path, function, code, names):
        for new in (c for c in inner(code) if c.co_qualname == function):
            for each in self.functions[str(path), function]:
                if each.__code__.co_firstlineno == new.co_firstlineno:
                    each.__code__ = new
        for cached in self.caches:
            cached.cache_clear()
        for name, fixture in self.shared.items():
            if (str(path), function) in places(self.made[name].values()):
                fixture.cached_result = None
                fixture._finalizers.clear()
        return self.run(names)

    def anew(self, path, function, code, names):
        forget("dossier", "tests", "conftest")
        sys.meta_path.insert(0, Changed(path, code))
        watch = Found(names)
        status = pytest.main([*OPTIONS, "-x", *{name.partition("::")[0] for name in names}], [watch])
        return watch.failed[0] if watch.failed else "" if status in {0, 5} else f"status {status}"


def named(fixturedef):
    return fixturedef.baseid, fixturedef.argname


def fixtures(item):
    return [found[-1] for found in item._fixtureinfo.name2fixturedefs.values()]


def place(code):
    return code.co_filename, code.co_qualname.partition(".<locals>")[0]


def places(codes):
    return {place(code) for code in codes if code.co_filename.startswith(str(PACKAGE))}


def inner(code):
    """Yield the code of all functions and classes in a module's."""
    for each in code.co_consts:
        if isinstance(each, types.CodeType):
            yield each
            yield from inner(each)


def ours(name, *roots):
    return str(name).partition(".")[0] in (roots or ("dossier", "tests"))


def forget(*roots):
    for name in [name for name in sys.modules if ours(name, *roots)]:
        del sys.modules[name]


def sample(asked):
    """Return (path, tree, function, line, change, how) of the mutants that were drawn."""
    paths = [p for room in ROOMS for p in sorted((PACKAGE / room).rglob("*.py"))]
    every = []
    for path in (p for p in paths if re.search(asked.only, str(p.relative_to(PACKAGE)))):
        tree, found = mutants(path)
        every += [(path, tree, *each) for each in found]
    return random.Random(asked.seed).sample(every, min(asked.number, len(every)))


def judge(tests, drawn):
    """Print what becomes of each mutant, and the score."""
    tests.learn()
    lines = (HERE / "mutation_equivalents.txt").read_text(encoding="utf-8").splitlines()
    argued = {line.partition("  #")[0].strip() for line in lines}
    alone, count = {"": True, None: True}, Counter()
    for number, (path, tree, inside, line, change, how) in enumerate(drawn, 1):
        where = f"{dotted(path).partition('.')[2]}.{inside}"
        if f"{where}  {change}" in argued:
            count["argued to change nothing"] += 1
            continue
        killer = tests.killer(path, inside, compiled(path, tree, how))
        if killer not in alone:
            alone[killer] = forked(lambda name=killer: tests.run([name]), 60) == ""
        if killer and not alone[killer]:
            print(f"{number}: fails without the change: {killer}", flush=True)
        count[{"": "survived", None: "without end"}.get(killer, "died")] += 1
        if not killer:
            print(f"{number} {'lives' if killer == '' else 'no end'}: {where}:{line}  {change}", flush=True)
        if number % 25 == 0:
            print(number, dict(count), flush=True)
    print(len(drawn), dict(count))


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("number", nargs="?", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", default="", help="expression in the path of a module")
    drawn = sample(ask.parse_args())
    sealing = any(path.relative_to(PACKAGE).parts[0] in ROOMS[3:] for path, *_ in drawn)
    folders = [str(HERE / room) for room in TESTS[: None if sealing else 3]]
    return int(pytest.main([*OPTIONS, *folders], [Tests(lambda tests: judge(tests, drawn))]))


if __name__ == "__main__":
    sys.exit(main())
