//! The parts of the page. Everything that comes from outside passes [`text`].

use std::fmt::Write as _;

/// Text as it may stand between tags and in attributes in quotes.
pub(super) fn text(plain: &str) -> String {
    let mut escaped = String::with_capacity(plain.len());
    for letter in plain.chars() {
        match letter {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            // The standard forbids them as text, however they are written.
            letter if letter.is_control() => escaped.push('\u{fffd}'),
            letter => escaped.push(letter),
        }
    }
    escaped
}

/// A heading of a column and its unit, and the cells below it.
pub(super) struct Column<'a> {
    pub heading: &'a str,
    pub unit: &'a str,
    pub cells: Vec<String>,
}

/// A table with a caption, a heading for each column and one, of plain text, for each row.
pub(super) fn table(caption: &str, rows: (&str, &[String]), columns: &[Column<'_>]) -> String {
    let (corner, names) = rows;
    let mut html = format!(
        "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{0}\">\n<table>\n\
         <caption>{0}</caption>\n<thead>\n<tr><th scope=\"col\">{1}</th>",
        text(caption),
        text(corner)
    );
    for column in columns {
        let unit = if column.unit.is_empty() {
            String::new()
        } else {
            format!(" <span class=\"unit\">{}</span>", text(column.unit))
        };
        let _ = write!(
            html,
            "<th scope=\"col\">{}{unit}</th>",
            text(column.heading)
        );
    }
    html += "</tr>\n</thead>\n<tbody>\n";
    for (row, name) in names.iter().enumerate() {
        let _ = write!(html, "<tr><th scope=\"row\">{}</th>", text(name));
        for column in columns {
            let cell = column.cells.get(row).map_or("", String::as_str);
            let _ = write!(html, "<td>{}</td>", text(cell));
        }
        html += "</tr>\n";
    }
    html + "</tbody>\n</table>\n</div>\n"
}

/// A list of plain texts; nothing where there are none.
pub(super) fn list(items: &[String]) -> String {
    if items.is_empty() {
        return String::new();
    }
    let items = items
        .iter()
        .map(|item| format!("<li>{}</li>\n", text(item)));
    format!("<ul>\n{}</ul>\n", items.collect::<String>())
}

pub(super) fn paragraph(plain: &str) -> String {
    format!("<p>{}</p>\n", text(plain))
}

/// The whole page around its body.
pub(super) fn page(title: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        text(title)
    )
}

const STYLE: &str = "\
:root { color-scheme: light dark; --ink: #1c1e21; --paper: #ffffff; --quiet: #5b6168; --line: #c9ced4; --mark: #fff3c4; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e6e8eb; --paper: #16181b; --quiet: #a3abb5; --line: #3a4048; --mark: #4a3f12; }
}
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1.5rem; color: var(--ink); background: var(--paper);
  font: 1rem/1.5 system-ui, sans-serif; }
h1, h2, h3 { line-height: 1.25; overflow-wrap: anywhere; }
h2 { margin-top: 2.5rem; border-top: 1px solid var(--line); padding-top: 1rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; margin: 1rem 0; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: 600; padding-bottom: .4rem; }
th, td { padding: .25rem .6rem; border-bottom: 1px solid var(--line); text-align: right; vertical-align: bottom; }
th:first-child { text-align: left; padding-left: 0; min-width: 11rem; overflow-wrap: anywhere; }
thead th { font-weight: 600; }
tbody th { font-weight: 400; }
.unit, footer { color: var(--quiet); font-size: .85em; font-weight: 400; }
.cautions { background: var(--mark); padding: .5rem 1rem; border-radius: .3rem; }
.cautions h3, .cautions h4 { margin: .3rem 0; }
figure { margin: 1rem 0; }
svg { display: block; width: 100%; height: auto; color: var(--ink); }
@media screen and (prefers-color-scheme: dark) {
  /* The palette's lighter blue, where the darker one would not stand out. */
  svg [stroke=\"#0072B2\"] { stroke: #56b4e9; }
  svg [fill=\"#0072B2\"] { fill: #56b4e9; }
}
@page { size: A4; margin: 14mm; }
@media print {
  :root { color-scheme: light; --ink: #000; --paper: #fff; --quiet: #444; --line: #999; --mark: #fff; }
  body { max-width: none; padding: 0; font-size: 9pt; }
  .cautions { border: 1px solid var(--line); }
  .wide { overflow: visible; }
  th, td { padding: .15rem .35rem; }
  th:first-child { min-width: 7rem; }
  section.song { break-before: page; }
  svg { max-height: 60mm; }
  figure { margin: .5rem 0; }
  figure, tr { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
}
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_becomes_markup() {
        assert_eq!(
            text("<b>\"R&B\" it's\u{7}</b>"),
            "&lt;b&gt;&quot;R&amp;B&quot; it&#39;s\u{fffd}&lt;/b&gt;"
        );
    }
}
