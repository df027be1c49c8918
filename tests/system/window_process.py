"""The desktop window with a live session on the simulated stand, armed and turning; prints what a test waits for.

python window_process.py RIG RECORDING
"""

import functools
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))
from cleared_set import cleared, fitted

from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import CommandKind
from whirlbench.session.process import SessionSpec, start
from whirlbench.simulator.device.simulated_port import open_simulated
from whirlbench.window.app import run_window

TURNING_RPM = 800.0


class Hand:
    """Presses what an operator would press: the check-list, arm, then throttle; says once when the propeller turns."""

    def __init__(self, window):
        self.bridge = window.bridge
        self.said = False
        self.bridge.changed.connect(self.act)

    def act(self, state):
        """One glance at the state, one press."""
        panel = self.bridge.panel
        if state.may(CommandKind.ARM):
            panel.check_list.operator.setText("tester")
            for box in panel.check_list.boxes:
                box.setChecked(True)
            panel.buttons[CommandKind.ARM].click()
        elif state.may(CommandKind.THROTTLE) and panel.throttle.value() < 1300.0:
            panel.session.command(CommandKind.THROTTLE, 1300.0)
        if state.readings().get("rpm", 0.0) > TURNING_RPM and not self.said:
            self.said = True
            print("turning", flush=True)


def main():
    """Shows the window until it is killed."""
    text = Path(sys.argv[1]).read_text()
    spec = SessionSpec(text, functools.partial(open_simulated, text, 3), recording=sys.argv[2], keep_open=True)
    spec = replace(spec, clearance=cleared(text))
    hands = []

    def prepare(window):
        session = start(spec)
        print(session.pid, session.view.name, flush=True)
        recording = Path(sys.argv[2])
        window.show_session(session, parse_rig(text), recording, fitted(text, recording.parent))
        hands.append(Hand(window))

    run_window(prepare)


if __name__ == "__main__":
    main()
