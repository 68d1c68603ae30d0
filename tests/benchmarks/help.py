"""`dossier --help`: it must not wait for any slow import."""

from tests.benchmarks.timing import PYTHON, heading, race

TARGET = 0.2


def main(rounds=11):
    heading("dossier --help")
    medians = race(
        {
            "dossier --help": [PYTHON, "-m", "dossier", "--help"],
            "bare interpreter": [PYTHON, "-c", ""],
        },
        rounds,
    )
    wall = medians["dossier --help"][0]
    verdict = "met" if wall <= TARGET else "MISSED"
    print(f"  {1e3 * wall:.0f} ms; target at most {1e3 * TARGET:.0f} ms: {verdict}")


if __name__ == "__main__":
    main()
