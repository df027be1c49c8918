"""The page of a strength check: comparison, charts, keep-out plane, proof plan and the worked appendix."""

from __future__ import annotations

from whirlbench import __version__
from whirlbench.analysis.strength import StrengthCheck, worked_sets
from whirlbench.report.html import render
from whirlbench.report.strength_charts import keep_out_chart, permitted_chart, planning_chart, section_chart, use_chart
from whirlbench.rig.description import Rig


def strength_page(check: StrengthCheck, rig: Rig) -> str:
    """One self-contained HTML page; the same check and rig always give the same page."""
    return render(
        "strength.html",
        version=__version__,
        check=check,
        stand=rig.stand,
        working=worked_sets(check, rig),
        permitted_svg=permitted_chart(check, rig),
        use_svg=use_chart(check),
        section_svg=section_chart(check),
        keep_out_svg=keep_out_chart(check),
        planning_svg=planning_chart(check),
    )
