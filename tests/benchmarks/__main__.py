"""Run all benchmarks: ``python -m tests.benchmarks``; several minutes on an idle machine."""

from tests.benchmarks import batch, build, check, help, memory, monte_carlo

for each in (help, memory, monte_carlo, check, build, batch):
    each.main()
