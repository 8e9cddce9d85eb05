"""The page of a report: its order and its look, on a screen and on paper."""

import os
from string import Template

from craterfront.problems import InputProblems, shown

_SUFFIX = ".html"

PAGE = Template("""\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>$title</title>
<style>
:root { color-scheme: light; --ink: #1c1c1c; --grey: #5f5f5f; --rule: #c9c9c9; --ground: #f4f4f2; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 58rem; padding: 1.5rem 1.25rem 3rem; color: var(--ink);
  background: #fff; font: 1rem/1.5 "Segoe UI", "Helvetica Neue", Arial, "DejaVu Sans", sans-serif;
  overflow-wrap: break-word; }
h1 { font-size: 1.7rem; line-height: 1.25; margin: 0 0 .3rem; }
h2 { font-size: 1.25rem; margin: 2.2rem 0 .6rem; padding-top: .5rem;
  border-top: 2px solid var(--ink); }
p, ul { margin: .5rem 0; }
ul { padding-left: 1.3rem; }
nav ul { list-style: none; padding: 0; display: flex; flex-wrap: wrap; gap: .2rem 1.1rem; }
a { color: #000db8; }
.asked { font-size: 1.1rem; }
.below, footer { color: var(--grey); font-size: .88rem; }
.warnings { border: 2px solid var(--ink); border-left-width: .7rem; padding: .2rem 1rem .5rem;
  margin: 1.5rem 0; background: var(--ground); }
.warnings h2 { border: 0; margin: .4rem 0; padding: 0; }
.warnings li { margin: .3rem 0; }
.first > li { font-weight: 600; }
.wide { overflow-x: auto; margin: 1.2rem 0 .4rem; }
table { border-collapse: collapse; font-size: .92rem; line-height: 1.35; }
caption { text-align: left; font-weight: 600; padding-bottom: .35rem; }
th, td { padding: .28rem .75rem .28rem 0; text-align: left; vertical-align: top; }
th { font-weight: 600; }
tbody th { font-weight: 400; }
thead th { border-bottom: 1.5px solid var(--ink); vertical-align: bottom; }
tbody tr { border-bottom: 1px solid var(--rule); }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
thead .number { white-space: normal; }
.digest { font-family: ui-monospace, Consolas, "DejaVu Sans Mono", monospace; font-size: .82rem;
  overflow-wrap: anywhere; }
figure { margin: 1.5rem 0; }
figure .drawn { width: 100%; height: auto; display: block; }
.drawn * { stroke-linejoin: round; stroke-linecap: butt; }
body { counter-reset: figure; }
figure { counter-increment: figure; }
figcaption { font-size: .92rem; margin-top: .5rem; }
figcaption::before { content: "Figure " counter(figure) ". "; font-weight: 600; }
pre { background: var(--ground); border: 1px solid var(--rule); padding: .8rem; margin: .5rem 0;
  font: .82rem/1.4 ui-monospace, Consolas, "DejaVu Sans Mono", monospace; white-space: pre-wrap;
  overflow-wrap: anywhere; }
@page { size: A4; margin: 16mm 15mm 18mm; }
@media print {
  html { font-size: 9.5pt; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  body { max-width: none; padding: 0; }
  nav { display: none; }
  .wide { overflow: visible; }
  a { color: inherit; text-decoration: none; }
  h1, h2, caption { break-after: avoid; }
  figure, tr, .short, .warnings li { break-inside: avoid; }
  thead { display: table-header-group; }
}
</style>
</head>
<body>
<header>
<h1>$title</h1>
$question
</header>
<section class="warnings" id="warnings">
$warnings
</section>
<nav aria-label="Contents">
<ul>
$contents
</ul>
</nav>
<main>
$sections
</main>
<footer>
$footer
</footer>
</body>
</html>
""")
"""Its fields hold HTML, with every text escaped."""


def check_report_suffix(path: str | os.PathLike[str]) -> None:
    """Refuse early what would not be opened as a page.

    Raises
    ------
    InputProblems
        For a suffix other than .html.
    """
    suffix = os.path.splitext(path)[1]
    if suffix.lower() != _SUFFIX:
        raise InputProblems([f"a report ends in {_SUFFIX}, got {shown(suffix)}"], os.fspath(path))
