"""How the review page looks beyond `page.document`: light, dark, phone and paper."""

STYLE = """
body { overflow-wrap: anywhere; }
.tag { color: var(--ink); font-weight: bold; }

figure { margin: 1.2rem 0 0; padding-left: 2.3rem; } figcaption { margin-left: -2.3rem; }
.names, .rail, .times, .plot, .strip { position: relative; }
.names { height: 1.4rem; font-size: .8rem; }
.names span { position: absolute; top: 0; overflow: hidden; white-space: nowrap; text-overflow: ellipsis;
  padding-left: .25rem; border-left: 1px solid var(--soft); height: 1.4rem; }
.rail { height: calc(var(--wide-rows) * 2rem); }
.mark { position: absolute; top: calc(var(--wide) * 2rem); width: 1.25rem; margin-left: -.625rem;
  color: inherit; text-decoration: none; text-align: center; font-size: .65rem; line-height: 1; }
.mark svg, li svg { width: .95rem; height: .95rem; fill: currentColor; display: block;
  margin: 0 auto .1rem; }
.tip { display: none; position: absolute; top: 100%; z-index: 2; width: min(18rem, 60vw);
  padding: .5rem .7rem;
  background: var(--paper); border: 1px solid var(--ink); font-size: .85rem; line-height: 1.4;
  text-align: left; }
.begin .tip { left: 0; } .middle .tip { left: 50%; transform: translateX(-50%); } .end .tip { right: 0; }
.mark:hover .tip, .mark:focus .tip { display: block; }
.mark:focus { outline: 2px solid var(--ink); }
.plot svg, .strip svg { display: block; width: 100%; }
.plot svg { height: 15rem; } .strip svg { height: 2.2rem; }
.strip { margin-top: .6rem; border-top: 1px solid var(--rule); }
.plot .label { position: absolute; right: 100%; padding-right: .35rem; transform: translateY(-50%);
  font-size: .75rem; line-height: 1; color: var(--soft); white-space: nowrap; }
.plot .label.limit { color: var(--ink); font-weight: bold; }
.strip .label { font-size: .75rem; line-height: 1.4; color: var(--soft); }
.times { height: 1.3rem; font-size: .75rem; color: var(--soft); }
.times span { position: absolute; transform: translateX(-50%); }
.times span:first-child { transform: none; } .times span:last-child { right: 0; transform: none; }
path, line { vector-effect: non-scaling-stroke; }
.under { fill: var(--blue); fill-opacity: .8; } .over { fill: var(--warm); }
.ceiling { stroke: var(--ink); stroke-width: 2; } .level { stroke: var(--rule); }
.seam { stroke: var(--soft); } .cue { stroke: var(--ink); stroke-dasharray: 1 3; opacity: .6; }
.ramp { fill: none; stroke: var(--ink); stroke-width: 1.5; stroke-dasharray: 6 3; }
.silent { fill: var(--shade); } .speed { fill: none; stroke: var(--ink); stroke-width: 1.5; }
.up { fill: var(--soft); } .zero { stroke: var(--rule); }
.key.u { background: var(--blue); } .key.o { background: var(--warm); }
.key.s { background: var(--shade); }

dl { display: grid; grid-template-columns: max-content 1fr; gap: .3rem 1rem; margin: .5rem 0; }
dt { color: var(--soft); } dd { margin: 0; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; }
th, td { text-align: right; padding: .25rem .4rem; border-bottom: 1px solid var(--rule);
  vertical-align: top;
  overflow-wrap: normal; white-space: nowrap; }
th:first-child, td:first-child { text-align: left; overflow-wrap: anywhere; white-space: normal;
  min-width: 5rem; }
ol { list-style: none; margin: .4rem 0; padding: 0; }
li { display: grid; grid-template-columns: 1.2rem 1.5rem 4.5rem 1fr; gap: 0 .3rem; padding: .35rem .2rem;
  border-bottom: 1px solid var(--rule); }
li svg { margin: .3rem 0 0; } li b { display: block; } li:target { outline: 2px solid var(--ink); }
li .number { text-align: right; color: var(--soft); } li .at { text-align: right; padding-right: .5rem; }

@media (max-width: 34rem) {
  .rail { height: calc(var(--narrow-rows) * 2rem); } .mark { top: calc(var(--narrow) * 2rem); }
  .rare { display: none; } .plot svg { height: 12rem; }
  dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: .5rem; }
  th.spare, td.spare { display: none; }
}
@media print {
  :root { color-scheme: light; } body { max-width: none; padding: 0; font-size: 10.5pt; }
  .mark .tip { display: none; }
  figure, li, tr, dd { break-inside: avoid; } h2 { break-after: avoid; }
}
"""
