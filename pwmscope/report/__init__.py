"""From findings to something a person or a program reads; consumes results only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use
from pwmscope.report.answer import Action, Answer, Answered, Card, make_answer
from pwmscope.report.data import finding_data, json_text, picked, to_data, to_json
from pwmscope.report.evidence import Evidence, LineChecks, line_checks
from pwmscope.report.failsafe import failsafe_data, hazard_data
from pwmscope.report.sentences import format_value

if TYPE_CHECKING:
    from pwmscope.report.cards import (
        format_clock,
        lead_card,
        lead_text,
        plan_card,
        plan_json,
        plan_needs,
        plan_text,
        setting_data,
        settings_card,
        settings_headline,
        settings_json,
        settings_text,
        wiring_data,
    )
    from pwmscope.report.folder import (
        Written,
        answer_fragment,
        answer_script,
        folder_names,
        refuse_report,
        write_report,
    )
    from pwmscope.report.one_page import make_one_page, write_one_page
    from pwmscope.report.questions import comparison_page, mixing_paragraphs
    from pwmscope.report.register import (
        RegisterError,
        add_answer,
        add_entry,
        day_rows,
        day_sheet_pdf,
        day_sheet_text,
        entries,
        file_hash,
    )
    from pwmscope.report.timeline import timeline_fragment


__all__ = [
    "Action", "Answer", "Answered", "Card", "Evidence", "LineChecks", "RegisterError",
    "Written", "add_answer", "add_entry", "answer_fragment", "answer_script", "comparison_page",
    "day_rows", "day_sheet_pdf", "day_sheet_text", "entries", "failsafe_data", "file_hash",
    "finding_data", "folder_names", "format_clock", "format_value", "hazard_data", "json_text",
    "lead_card", "lead_text", "line_checks", "make_answer", "make_one_page",
    "mixing_paragraphs", "picked", "plan_card", "plan_json", "plan_needs", "plan_text",
    "refuse_report", "setting_data", "settings_card", "settings_headline", "settings_json",
    "settings_text", "timeline_fragment", "to_data", "to_json", "wiring_data", "write_one_page",
    "write_report",
]  # fmt: skip


__getattr__ = at_first_use(__name__, {
    "cards": "format_clock lead_card lead_text plan_card plan_json plan_needs plan_text "
    "setting_data settings_card settings_headline settings_json settings_text wiring_data",
    "questions": "comparison_page mixing_paragraphs",
    "folder": "answer_fragment answer_script folder_names refuse_report write_report Written",
    "one_page": "make_one_page write_one_page",
    "register": "add_answer add_entry day_rows day_sheet_pdf day_sheet_text entries file_hash "
    "RegisterError",
    "timeline": "timeline_fragment",
})  # fmt: skip
"""What draws or sets pages, and so takes long to import."""
