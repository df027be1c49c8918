"""Before the spin: every blade set judged, the chosen one in detail, and the plan of its proof."""

from __future__ import annotations

from whirlbench.errors import BenchError
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.margin_panel import MarginPanel
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.check_sheet import profile_sheet, use_sheet
from whirlbench.window.pages.check_state import MODE_HEADINGS, SET_HEADINGS, STAGE_HEADINGS, CheckState
from whirlbench.window.pages.plan_saving import PlanSaver
from whirlbench.window.pages.scroll_page import ScrollPage


class CheckPanel(ScrollPage):
    """Shows one CheckState; a click on a row of the first table chooses the set that the rest describes."""

    def __init__(self, state: CheckState) -> None:
        super().__init__()
        self.state = state
        self.add_heading("")
        self.sets = TextTable(SET_HEADINGS, state.set_rows(), choosable=True)
        self.sets.chosen.connect(lambda row: self.show_state(self.state.chosen(self.state.names()[row])))
        self.add(self.sets)
        self.use, self.profile, self.margins = ChartView(height_px=300), ChartView(height_px=300), MarginPanel()
        self.add_row((self.use, self.profile, self.margins), (5, 4, 3))
        self.fragment = self.add_line("", "warning")
        self.add_section("Each way the chosen set can fail")
        self.modes = TextTable(MODE_HEADINGS)
        self.add(self.modes)
        self.add_section("Proof of the fitted set, in stages; nobody near before the stand is at rest and isolated")
        self.add(TextTable(STAGE_HEADINGS, state.stage_rows()))
        self.saver = PlanSaver("write the proof plan…", "proof.toml")
        self.add(self.saver)
        self.add_section("Cautions, and what was taken for granted")
        for kind, text in state.notices():
            self.add_line(text, kind)
        self.end()
        self._show_plan()
        self.show_state(state)

    def _show_plan(self) -> None:
        try:
            self.saver.show_plan(self.state.plan_text())
        except BenchError as error:
            self.saver.show_plan("", f"no plan can be written: {error}")

    def show_state(self, state: CheckState) -> None:
        """Everything that depends on the chosen set."""
        self.state = state
        self.heading.setText(state.heading())
        self.sets.selectRow(state.names().index(state.chosen_name))
        self.use.show_chart(use_sheet(state))
        profile = state.profile()
        self.profile.setVisible(profile is not None)
        if profile is not None:
            self.profile.show_chart(profile_sheet(profile))
        self.margins.show_margins(state.margins())
        self.fragment.setText(state.fragment_text())
        self.modes.show_rows(state.mode_rows())
