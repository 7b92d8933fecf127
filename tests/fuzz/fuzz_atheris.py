"""One target under atheris, in a process of its own: libFuzzer ends the process that it runs in.

Law: what it prints for `fuzz.py` is libFuzzer's own account. Called as: fuzz_atheris.py TARGET [libFuzzer's flags].
"""

import sys

import atheris

with atheris.instrument_imports(include=["torpor", "hostsim", "deploy"]):
    from fuzz_targets import TARGETS


def main():
    target = TARGETS[sys.argv[1]]
    atheris.Setup([sys.argv[0], *sys.argv[2:]], target.run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
