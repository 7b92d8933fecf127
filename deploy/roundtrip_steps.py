"""The commands of a round trip, run as a person types them. Law: each is shown, and what fails is shown whole."""

import shlex
import signal
import subprocess
import sys
from pathlib import Path

from deploy import printing

STEP_S_MAX = 3600.0
LISTENING_S_MAX = 30.0


class StepFailed(Exception):
    """A command did not do its work; `status` is its exit status."""

    def __init__(self, status: int):
        super().__init__(status)
        self.status = status


class Steps:
    """Runs commands in `folder`, and keeps what each of them said there, as NAME.txt."""

    def __init__(self, folder: Path):
        self._folder = folder

    def run(self, name: str, *words, allowed=(0,)) -> str:
        """Run `torpor WORDS` to its end, and return what it printed. Raises StepFailed."""
        self._show(words)
        done = subprocess.run(
            _command(words), cwd=self._folder, capture_output=True, text=True, timeout=STEP_S_MAX, check=False
        )
        (self._folder / f"{name}.txt").write_text(done.stdout + done.stderr)
        if done.returncode not in allowed:
            printing.show([], [*done.stdout.splitlines(), *done.stderr.splitlines()])
            raise StepFailed(done.returncode)
        return done.stdout

    def say(self, line: str) -> None:
        """What came of a step, in one line."""
        printing.show([], [f"  {line}"])

    def begin(self, name: str, *words) -> subprocess.Popen:
        """Start `torpor WORDS`, and return when it has said its first line. Raises StepFailed."""
        self._show(words)
        log = (self._folder / f"{name}.txt").open("w")
        process = subprocess.Popen(_command(words), cwd=self._folder, stdout=log, stderr=subprocess.PIPE, text=True)
        log.close()
        line = process.stderr.readline()
        self.say(line.strip())
        if process.poll() is not None:
            raise StepFailed(process.returncode or 2)
        return process

    def end(self, process: subprocess.Popen) -> None:
        """Ask it to end, and wait for that. Raises StepFailed."""
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=LISTENING_S_MAX)
        if process.returncode:
            printing.show([], said.splitlines())
            raise StepFailed(process.returncode)

    @staticmethod
    def _show(words) -> None:
        printing.show([], [f"$ {shlex.join(('torpor', *map(str, words)))}"])


def _command(words) -> list[str]:
    return [sys.executable, "-c", "from deploy.cli import main; main()", *map(str, words)]
