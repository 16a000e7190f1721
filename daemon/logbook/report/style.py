"""The look of the page: ours, for screens by day and night and for paper."""

STYLE = """
:root{--ground:#fbfaf6;--ink:#1d2430;--faint:#8a8f98;--rule:#dcd8cc;--suspect:#7a6a00;
--ringing:#b34700;--howling:#a3003c}
@media (prefers-color-scheme:dark){:root{--ground:#14181e;--ink:#e8e6df;--faint:#8d939c;
--rule:#333a44;--suspect:#d8c24a;--ringing:#ff9a4d;--howling:#ff5f8f}}
body{margin:0;background:var(--ground);color:var(--ink);font:16px/1.45 system-ui,sans-serif}
main{max-width:60rem;margin:0 auto;padding:1rem 1.2rem 3rem}
h1{margin:.4rem 0}h2{margin:2rem 0 .4rem;border-bottom:2px solid var(--ink)}
h3{margin:1rem 0 .2rem;font-size:1rem}small,.facts,.quiet,.none{color:var(--faint)}
svg.timeline{width:100%;height:auto;display:block}
svg text{font-size:11px;fill:var(--faint)}svg .end{text-anchor:end}svg .mid{text-anchor:middle}
svg line{stroke:var(--rule)}
.suspect rect{fill:none;stroke:var(--suspect)}
.ringing rect,.ringing circle{fill:var(--ringing)}
.ringing .alarm{stroke:var(--ringing);stroke-width:2}
.howling rect,.howling circle{fill:var(--howling)}
.howling .alarm{stroke:var(--howling);stroke-width:2}
svg.spectrum{width:16rem;height:4rem;border:1px solid var(--rule)}
svg.spectrum polyline{fill:none;stroke:var(--ink)}svg.spectrum .here{stroke:var(--howling)}
table{border-collapse:collapse;margin:.3rem 0 1rem}
th,td{padding:.1rem .7rem;text-align:right;border-bottom:1px solid var(--rule)}
th{font-weight:600}.kept{display:flex;flex-wrap:wrap;gap:1rem;align-items:center}
#moments li{margin-bottom:1rem}li.howling b{color:var(--howling)}li.ringing b{color:var(--ringing)}
footer{margin-top:3rem;color:var(--faint);border-top:1px solid var(--rule)}
@media print{audio{display:none}section.act{break-inside:avoid-page}}
"""
