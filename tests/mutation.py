"""Break lines of nine rooms at random; every break has to be noticed.

    python -m tests.mutation [number] [--seed 1] [--only uncertainty] [--results FILE] [--again]

Each mutant changes one place of one module: a comparison, a sign, a number, min for max, a branch,
a term, an argument.  Words are not touched: what `say` is given and what is raised.  The tests are
collected once, and a first run notes which functions each of them calls.  A mutant is a fork that
puts the changed code into its function, or the changed values into all modules, and runs the tests
that call it, the quickest first, until one fails.  Five times the processor time of the unchanged
code is allowed.  A test that killed must pass by itself without the change.  Survivors are printed
with their place; those argued to change nothing stand in `mutation_equivalents.txt`.  With a file
of results, what became of each is written there at once, and a run that was stopped goes on;
`--again` asks what survived once more, with three times as many tests.
"""

import argparse
import ast
import copy
import gc
import json
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
from functools import _lru_cache_wrapper, partial
from pathlib import Path

import pytest

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "CI": "1"}

HERE = Path(__file__).parent
PACKAGE = HERE.parent / "dossier"
NUMBERS: tuple[str, ...] = ("physics", "evidence", "decision")
SEALED: tuple[str, ...] = ("archive",)
ROOMS = dict.fromkeys(NUMBERS, NUMBERS) | dict.fromkeys(("record", "verification", "seal"), SEALED)
ROOMS |= {
    "case": ("case", "start", *NUMBERS),
    "make": (*SEALED, "request", "test_choose.py", "case/test_carried.py", "test_older_sizes.py"),
    "register": SEALED,
}
"""The rooms that are broken, and the tests that relate to each."""
OPTIONS = ["-q", "-s", "--tb=no", "-p", "no:cacheprovider", "-p", "no:xdist"]
OPTIONS += ["-m", "not slow and not long", "--ignore-glob=*/test_register_html*"]
BUDGET = 4, 12
"""Processor time of all tests of one mutant [s] when nothing is changed, and of one that survived
before; five times are allowed."""
SHARED = 30
"""Processor time for what tests of a file share, which the first of them makes [s]."""
IMPORT = "its own import"
PLAIN = {"int", "float", "str", "bytes", "bool", "ndarray", "Pattern"}
MESSAGES = {"say", "say_count", "later", "words", "shown"}
HARMLESS = {"strict", "xtol", "rtol", "slots", "kw_only", "frozen"}
"""Arguments that no result hangs on: what they forbid does not come, or is finer than needed."""
UNTOUCHED = (ast.Raise, ast.JoinedStr, ast.arguments)
"""Words, and defaults of arguments, which as those of fields are set once: 1 of 150 places."""
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
    elif isinstance(node, ast.If) and ast.unparse(node.test) != "TYPE_CHECKING":
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
            if not isinstance(child, ast.AST) or isinstance(child, UNTOUCHED):
                continue
            named = isinstance(child, (ast.FunctionDef, ast.ClassDef))
            if isinstance(node, ast.ClassDef) and not named:
                continue
            if isinstance(child, ast.Call) and getattr(child.func, "id", "") in MESSAGES:
                continue
            if isinstance(child, ast.keyword) and child.arg in HARMLESS:
                continue
            yield (node, field, at, child, inside)
            yield from sites(child, f"{inside}.{child.name}".strip(".") if named else inside)  # type: ignore[attr-defined]


def mutants(path):
    """Return a module's tree and (function, line, change, how to make it) of all its mutants."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return tree, [
        (inside, f"{node.lineno}.{node.col_offset}", told(node, other), (parent, field, at, other))
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
            answer = work()
        except Exception:  # noqa: BLE001  # not by a test: it counts as not noticed
            answer = ""
        os.write(writer, pickle.dumps(answer))
        os._exit(0)
    os.close(writer)
    end = time.monotonic() + 100 * seconds + 60  # of a process that waits
    while not (done := os.waitpid(child, os.WNOHANG)[0]) and time.monotonic() < end:
        time.sleep(0.02)
    if not done:
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
    with os.fdopen(reader, "rb") as found:
        answer = found.read()
    return pickle.loads(answer) if answer else None


class Tests:
    """The collected tests: how long each takes, and which functions it calls."""

    def __init__(self, work, budget):
        self.budget = budget
        self.work, self.failed, self.calls, self.made, self.known = work, [], {}, {}, {}

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.append(report.nodeid)

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
                self.state.teardown_exact(item)
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=item)
        sys.setprofile(None)
        print("left out, fails as it is:", *self.failed) if self.failed else None
        self.failed.clear()
        living = gc.get_objects()
        self.caches = [
            o for o in living if isinstance(o, _lru_cache_wrapper) and ours(o.__module__)
        ]
        self.functions = {}
        for each in (o for o in living if isinstance(o, types.FunctionType)):
            if each.__code__.co_filename.startswith(str(PACKAGE)):
                self.functions.setdefault(place(each.__code__), []).append(each)
        del living
        gc.freeze()  # so that no fork has to copy what was loaded before
        self.learn()
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

    def learn(self):
        """Observe the tests of each file, if not known since it was last written."""
        for file in {item.path: None for item in self.items.values()}:
            names = [name for name, item in self.items.items() if item.path == file]
            at = f"mutation-{file.parent.name}-{file.stem}-{file.stat().st_mtime_ns}.pickle"
            kept = Path(tempfile.gettempdir(), at)
            if not kept.exists():
                forked(partial(self.observe, names, kept), 600)
            self.known |= pickle.loads(kept.read_bytes())
            for name in {*names} - {*self.known}:
                print("left out, fails as it is:", name, flush=True)

    def within(self, path, wanted):
        """Return the tests that call a wanted function, as far as the time allows, and the time."""
        found = []
        for name, (seconds, called) in self.known.items():
            if wanted & called:
                far = path.stem not in self.items[name].path.stem
                found.append((seconds + 0.2 * far, seconds, name))
        names, total = [], 0.0
        for _, seconds, name in sorted(found):
            if not names or total + seconds < self.budget:
                names.append(name)
                total += seconds
        return names, total

    def killer(self, path, inside, code):
        """Return the test that notices the code of a module, "" for none, None for no end."""
        if not inside:
            return forked(partial(self.constant, path, code), 5 * self.budget + SHARED)
        parts = inside.split(".")
        heads = [(str(path), ".".join(parts[: n + 1])) for n in range(len(parts))]
        head = next(head for head in heads if head in self.functions)
        names, seconds = self.within(path, {head})
        return forked(partial(self.patched, head, code, names), 5 * seconds + SHARED)

    def patched(self, head, code, names):
        """Put the changed code into the functions that stand there, and run tests."""
        for new in (c for c in inner(code) if place(c) == head):
            for each in self.functions[head]:
                if each.__code__.co_firstlineno == new.co_firstlineno:
                    each.__code__ = new
        return self.run_with({head}, names)

    def run_with(self, changed, names):
        """Run tests with nothing left that was made before the change."""
        for cached in (each for each in self.caches if ours(each.__module__)):
            cached.cache_clear()
        for name, fixture in self.shared.items():
            if changed & places(self.made[name].values()):
                fixture.cached_result = None
                fixture._finalizers.clear()
        return self.run(names)

    def constant(self, path, code):
        """Put the values that a module makes now in place of its own, wherever they were taken."""
        old = vars(sys.modules[dotted(path)])
        new = {name: old[name] for name in ("__name__", "__package__", "__file__", "__spec__")}
        with pytest.MonkeyPatch.context() as patch:  # a quantity is declared once
            patch.setattr("dossier.evidence.registry.Quantity.__call__", lambda _, work: work)
            try:
                exec(code, new)
            except Exception:  # noqa: BLE001  whatever it is, nothing could be imported
                return IMPORT
        other = {n: old[n] for n in new if plain(new[n]) and repr(new[n]) != repr(old.get(n))}
        for holder in [vars(module) for name, module in sys.modules.items() if ours(name)]:
            holder |= {n: new[n] for n, before in other.items() if holder.get(n) is before}
        readers = {
            at
            for at, (each, *_) in self.functions.items()
            for one in (each.__code__, *inner(each.__code__))
            if {*other} & {*one.co_names}
        }
        return self.run_with(readers, self.within(path, readers)[0])


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


def plain(value):
    """Return whether a value is made of numbers and words alone."""
    if isinstance(value, dict):
        return all(plain(each) for pair in value.items() for each in pair)
    if isinstance(value, (tuple, list, set, frozenset)):
        return all(plain(each) for each in value)
    return value is None or type(value).__name__ in PLAIN


def ours(name):
    return str(name).partition(".")[0] in {"dossier", "tests"}


def sample(asked):
    """Return (path, tree, function, line, change, how) of the mutants that were drawn."""
    paths = [p for room in ROOMS for p in sorted((PACKAGE / room).rglob("*.py"))]
    every = []
    for path in (p for p in paths if re.search(asked.only, str(p.relative_to(PACKAGE)))):
        tree, found = mutants(path)
        every += [(path, tree, *each) for each in found]
    return random.Random(asked.seed).sample(every, min(asked.number, len(every)))


def judge(tests, drawn, kept, again):
    """Print what becomes of each mutant, and the score; what stands in `kept` is known."""
    lines = (HERE / "mutation_equivalents.txt").read_text(encoding="utf-8").splitlines()
    argued = {line.partition("  #")[0].strip() for line in lines}
    known = dict(json.loads(line) for line in kept.read_text().splitlines()) if kept else {}
    if again:
        known = {mutant: became for mutant, became in known.items() if became == "died"}
    alone, count = {"": True, None: True, IMPORT: True}, Counter()
    for number, (path, tree, inside, line, change, how) in enumerate(drawn, 1):
        where = f"{dotted(path).partition('.')[2]}.{inside}"
        mutant = f"{where}:{line}  {change}"
        if f"{where}  {change}" in argued:
            known[mutant] = "argued to change nothing"
        elif mutant not in known:
            killer = tests.killer(path, inside, compiled(path, tree, how))
            if killer not in alone:
                alone[killer] = forked(partial(tests.run, [killer]), 60) == ""
            if not alone[killer]:
                sys.exit(f"fails by itself without a change: {killer}")
            known[mutant] = {"": "survived", None: "without end"}.get(killer, "died")
            if kept:
                with kept.open("a") as file:
                    file.write(json.dumps((mutant, known[mutant])) + "\n")
        count[known[mutant]] += 1
        if known[mutant] in {"survived", "without end"}:
            print(f"{number} {known[mutant]}: {mutant}", flush=True)
        if not number % 25:
            print(number, dict(count), flush=True)
    print(len(drawn), dict(count))


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("number", nargs="?", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", default="", help="expression in the path of a module")
    ask.add_argument("--again", action="store_true", help="ask once more what survived")
    ask.add_argument("--results", type=Path, help="file to write results to, and to go on from")
    asked = ask.parse_args()
    drawn = sample(asked)
    if asked.results:
        asked.results.touch()
    rooms = {path.relative_to(PACKAGE).parts[0] for path, *_ in drawn}
    folders = {each: None for room in ROOMS if room in rooms for each in ROOMS[room]}
    tests = Tests(
        lambda tests: judge(tests, drawn, asked.results, asked.again), BUDGET[asked.again]
    )
    return int(pytest.main([*OPTIONS, *(str(HERE / each) for each in folders)], [tests]))


if __name__ == "__main__":
    sys.exit(main())
