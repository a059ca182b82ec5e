"""What to change so that two drive outputs mix as wanted, with proof in software."""

from pwmscope.advice.mixing.course import Advice, Course, advise, course_of

__all__ = ["Advice", "Course", "advise", "course_of"]
