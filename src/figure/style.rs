//! The style sheet: light, dark and print. Colours are our own; contrasts are held by the tests.

/// Names and values of the variables in light and dark.
pub(super) const COLOURS: [(&str, &str, &str); 11] = [
    ("ground", "#ffffff", "#15191d"),
    ("ink", "#1d252c", "#e6eaee"),
    ("quiet", "#5a6570", "#a3adb7"),
    ("rule", "#d5dade", "#353d45"),
    ("a", "#0b5f8a", "#6cc3ee"),
    ("b", "#a8410a", "#f3a06a"),
    ("c", "#3d6b1f", "#9ccf77"),
    ("d", "#7a3f97", "#cfa2e6"),
    ("bad", "#a3122b", "#ff8d9b"),
    ("band", "#e6f0d9", "#26331c"),
    ("shade", "#eef1f3", "#222930"),
];

fn variables(dark: bool) -> String {
    let of =
        |(name, light, night): &(&str, &str, &str)| format!("--{name}:{};", if dark { night } else { light });
    COLOURS.iter().map(of).collect()
}

/// The style sheet of pages with figures, or of a figure that stands alone.
#[must_use]
pub fn style_sheet() -> String {
    format!(
        ":root{{{}color-scheme:light dark}}\n\
         @media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n\
         .figure text{{font:12px system-ui,sans-serif;fill:var(--ink)}}\n\
         .figure .quiet{{fill:var(--quiet)}}\n\
         .figure .ground{{fill:var(--ground)}}\n\
         .figure .grid{{stroke:var(--rule);stroke-width:1}}\n\
         .figure .frame{{stroke:var(--quiet);stroke-width:1;fill:none}}\n\
         .figure .tolerance{{fill:var(--band);stroke:var(--c);stroke-width:.75}}\n\
         .figure .phase{{fill:var(--shade);stroke:var(--quiet);stroke-width:1}}\n\
         .figure .limit{{stroke:var(--bad);stroke-width:1.25;stroke-dasharray:7 3;fill:none}}\n\
         .figure .a{{stroke:var(--a);color:var(--a)}}\n\
         .figure .b{{stroke:var(--b);color:var(--b)}}\n\
         .figure .c{{stroke:var(--c);color:var(--c)}}\n\
         .figure .d{{stroke:var(--d);color:var(--d)}}\n\
         .figure .line{{fill:none;stroke-width:1.75}}\n\
         .figure .doubt{{fill:currentColor;fill-opacity:.16;stroke-width:.5}}\n\
         .figure .mark{{fill:var(--ground);stroke-width:1.5}}\n\
         .figure .bar{{fill:none;stroke-width:1.25}}\n",
        variables(false),
        variables(true)
    )
}
