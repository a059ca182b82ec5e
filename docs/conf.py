"""The site that Sphinx makes of these pages: `sphinx-build -W -b html docs SITE`."""

from pwmscope import __version__

project = "pwmscope"
author = "the pwmscope contributors"
release = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
autodoc_typehints = "none"
autodoc_member_order = "bysource"
autodoc_class_signature = "separated"
napoleon_google_docstring = False
napoleon_use_rtype = False
exclude_patterns = ["*.ipynb"]
source_suffix = {".md": "markdown"}
root_doc = "index"
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "description": "Measured answers from a recording of a receiver's output pins",
    "fixed_sidebar": True,
    "page_width": "68rem",
    "sidebar_width": "15rem",
    "font_family": 'system-ui, "DejaVu Sans", sans-serif',
    "head_font_family": 'system-ui, "DejaVu Sans", sans-serif',
    "show_powered_by": False,
}
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_sidebars = {"**": ["about.html", "navigation.html", "searchbox.html"]}
html_show_copyright = False
html_copy_source = False
html_show_sourcelink = False
