"""What to change so that two drive outputs mix as wanted, with proof in software.

`changes` holds the changes with their effort, `search` finds the cheapest, `proof` applies them
to the recorded data and looks at the outcome as if it had been recorded.
"""

from pwmscope.advice.mixing.course import Course, course_of
from pwmscope.advice.mixing.search import Advice, advise

__all__ = ["Advice", "Course", "advise", "course_of"]
