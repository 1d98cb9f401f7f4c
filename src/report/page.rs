//! The page around a report.
use crate::figure::style_sheet;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Everything but the pictures' own rules.
const STYLE: &str = "
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem 1.25rem 3rem;max-width:60rem;background:var(--ground);color:var(--ink);font:1rem/1.5 system-ui,sans-serif}
h1{font-size:1.6rem;line-height:1.2;margin:.5rem 0}
h2{font-size:1.2rem;margin:2rem 0 .5rem;border-bottom:1px solid var(--rule)}
p,ul,ol{max-width:44rem}
a{color:var(--a)}
figure{margin:1rem 0}
@media screen and (max-width:40rem){.figure{min-width:36rem}}
figcaption{color:var(--quiet);font-size:.9rem;max-width:44rem}
.figure{width:100%;height:auto;display:block}
.wide{overflow-x:auto;position:relative}
.wide:focus-visible,a:focus-visible,summary:focus-visible{outline:3px solid var(--a);outline-offset:2px}
table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.9rem}
caption{text-align:left;color:var(--quiet);padding:.25rem 0}
th,td{padding:.2rem .6rem;border-bottom:1px solid var(--rule);text-align:right;white-space:nowrap}
th:first-child,td:first-child,.words{text-align:left}
td.words{white-space:normal}
thead th{border-bottom:2px solid var(--quiet)}
.verdict{font-size:1.15rem;font-weight:600;padding:.6rem .8rem;border:2px solid var(--quiet);border-radius:.3rem}
.bad{color:var(--bad)}
.values{display:grid;grid-template-columns:repeat(auto-fill,minmax(7.4rem,1fr));gap:.25rem .8rem;padding:0;list-style:none;max-width:none;font-variant-numeric:tabular-nums}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1rem;margin:.5rem 0}
dt{color:var(--quiet)}
dd{margin:0;overflow-wrap:anywhere}
@media (max-width:30rem){dl{grid-template-columns:1fr}dd{margin-bottom:.4rem}}
@page{size:A4;margin:15mm}
@media print{body{max-width:none;padding:0;font-size:10pt}figure,tr,dl,.values{break-inside:avoid}h2{break-after:avoid}.wide{overflow:visible}table{font-size:8.5pt}th,td{padding:.1rem .35rem}}
";

/// A whole page.
pub(super) fn page(title: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(style_sheet())) (PreEscaped(STYLE)) }
            }
            body { main { (body) } }
        }
    }
    .into_string()
}

/// A picture with its words beneath.
pub(super) fn picture(title: &str, svg: &str, words: &str) -> Markup {
    html! {
        figure {
            div class="wide" role="region" tabindex="0" aria-label={ "Picture: " (title) } { (PreEscaped(svg)) }
            figcaption { (words) }
        }
    }
}

/// A value with so many decimals, or a dash.
pub(super) fn number(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |value| format!("{value:.decimals$}"))
}

/// A table that a narrow screen can push aside; it can be reached and moved by keyboard.
pub(super) fn wide(label: &str, table: &Markup) -> Markup {
    html! { div class="wide" role="region" tabindex="0" aria-label=(label) { (table) } }
}
