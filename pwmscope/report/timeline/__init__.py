"""A timeline to look into, from a whole recording down to one pulse."""

from pwmscope.report.timeline.fragment import Timeline, timeline_fragment

__all__ = ["Timeline", "timeline_fragment"]
