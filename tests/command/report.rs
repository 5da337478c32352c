//! `crestline report`: a page that is valid, accessible and self-contained, whose numbers are those
//! of `crestline measure`.

use std::collections::HashSet;
use std::fs;
use std::path::Path;

use super::sound_files::{Stored, crestline, folder, json, measure_json, text, tone, wav};
use html5ever::tendril::TendrilSink as _;
use html5ever::{ParseOpts, parse_document};
use markup5ever_rcdom::{Handle, NodeData, RcDom};
use songs::{rink_lights, turnstile};

/// One element: its name, attributes, all the text in it, and the elements in it, in the order of
/// the page.
#[derive(Clone)]
struct Element {
    name: String,
    attributes: Vec<(String, String)>,
    text: String,
    inside: Vec<Element>,
}

impl Element {
    fn attribute(&self, name: &str) -> Option<&str> {
        let found = self.attributes.iter().find(|(key, _)| key == name);
        found.map(|(_, value)| value.as_str())
    }

    /// All elements of this name below, at any depth.
    fn all(&self, name: &str) -> Vec<&Element> {
        let mut found = Vec::new();
        for element in &self.inside {
            if element.name == name {
                found.push(element);
            }
            found.extend(element.all(name));
        }
        found
    }

    fn every(&self) -> Vec<&Element> {
        let inside = self.inside.iter();
        inside
            .flat_map(|element| [vec![element], element.every()].concat())
            .collect()
    }
}

fn element(handle: &Handle) -> Element {
    let mut told = Element {
        name: String::new(),
        attributes: Vec::new(),
        text: String::new(),
        inside: Vec::new(),
    };
    match &handle.data {
        NodeData::Element { name, attrs, .. } => {
            told.name = name.local.to_string();
            let attributes = attrs.borrow();
            let pair = |attribute: &html5ever::Attribute| {
                (
                    attribute.name.local.to_string(),
                    attribute.value.to_string(),
                )
            };
            told.attributes = attributes.iter().map(pair).collect();
        }
        NodeData::Text { contents } => told.text = contents.borrow().to_string(),
        _ => {}
    }
    for child in handle.children.borrow().iter() {
        let child = element(child);
        told.text += &child.text;
        if child.name.is_empty() {
            told.inside.extend(child.inside);
        } else {
            told.inside.push(child);
        }
    }
    told
}

/// Source: the parse errors of the HTML standard (WHATWG, "Parsing HTML documents"), as `html5ever`
/// finds them.
fn parse(page: &str) -> Element {
    let mut options = ParseOpts::default();
    options.tokenizer.exact_errors = true;
    options.tree_builder.exact_errors = true;
    let dom = parse_document(RcDom::default(), options).one(page);
    let errors = dom.errors.borrow();
    assert!(errors.is_empty(), "{errors:?}");
    element(&dom.document)
}

#[test]
fn a_broken_page_would_be_noticed() {
    for broken in [
        "<!DOCTYPE html><html lang=\"en\"><title>a</title><p>b</div>",
        "<html><title>no doctype</title>",
        "<!DOCTYPE html><title>a</title><table><p>b</p></table>",
        "<!DOCTYPE html><title>a</title><p id=a id=b>c",
    ] {
        let mut options = ParseOpts::default();
        options.tokenizer.exact_errors = true;
        options.tree_builder.exact_errors = true;
        let dom = parse_document(RcDom::default(), options).one(broken);
        assert!(!dom.errors.borrow().is_empty(), "{broken}");
    }
}

/// The elements of the HTML and SVG standards that the page is made of. Anything else is a mistake.
const KNOWN: [&str; 37] = [
    "html", "head", "meta", "title", "style", "body", "header", "main", "footer", "section", "h1",
    "h2", "h3", "p", "ul", "li", "div", "span", "table", "caption", "thead", "tbody", "tr", "th",
    "td", "figure", "svg", "desc", "g", "line", "polyline", "polygon", "rect", "circle", "text",
    "path", "ellipse",
];

/// What the HTML standard asks for beyond its syntax, and WCAG 2.2 of headings (1.3.1), tables
/// (1.3.1) and pictures (1.1.1).
fn check(page: &str) -> Element {
    let document = parse(page);
    let html = &document.inside[0];
    assert_eq!(html.attribute("lang"), Some("en"));
    assert!(!html.all("title")[0].text.is_empty());
    for once in ["h1", "main", "body", "head"] {
        assert_eq!(document.all(once).len(), 1, "{once}");
    }
    let every = document.every();
    let mut ids = HashSet::new();
    for element in &every {
        assert!(KNOWN.contains(&element.name.as_str()), "<{}>", element.name);
        if let Some(id) = element.attribute("id") {
            assert!(!id.is_empty() && !id.contains(' '), "{id}");
            assert!(ids.insert(id), "{id} twice");
        }
        for (key, value) in &element.attributes {
            assert!(!key.starts_with("on"), "{key}");
            let network = ["http:", "https:", "//", "url(", "@import", "file:"];
            assert!(
                !network.iter().any(|way| value.contains(way)),
                "{key}={value}"
            );
        }
    }
    for style in document.all("style") {
        assert!(!style.text.contains("url(") && !style.text.contains("@import"));
        assert!(style.text.contains("prefers-color-scheme: dark"));
        assert!(style.text.contains("size: A4"));
    }
    for element in &every {
        for id in element
            .attribute("aria-labelledby")
            .unwrap_or_default()
            .split_whitespace()
        {
            assert!(ids.contains(id), "{id} is nowhere");
        }
    }
    // Headings go down a level at a time.
    let level = |element: &&&Element| element.name.strip_prefix('h')?.parse::<u32>().ok();
    let levels: Vec<u32> = every.iter().filter_map(|element| level(&element)).collect();
    assert_eq!(levels[0], 1);
    for pair in levels.windows(2) {
        assert!(pair[1] <= pair[0] + 1, "{levels:?}");
    }
    for table in document.all("table") {
        assert_eq!(table.inside[0].name, "caption");
        let scopes = |name| -> Vec<Option<&str>> {
            let part = table.all(name)[0].all("th").into_iter();
            part.map(|heading| heading.attribute("scope")).collect()
        };
        let columns = scopes("thead");
        assert!(columns.len() > 1 && columns.iter().all(|scope| *scope == Some("col")));
        assert!(scopes("tbody").iter().all(|scope| *scope == Some("row")));
        for row in table.all("tr") {
            assert_eq!(row.inside.len(), columns.len(), "{}", row.text);
        }
    }
    for picture in document.all("svg") {
        assert_eq!(picture.attribute("role"), Some("img"));
        assert!(picture.attribute("viewBox").is_some());
        let [title, description] = [&picture.inside[0], &picture.inside[1]];
        assert_eq!(
            (title.name.as_str(), description.name.as_str()),
            ("title", "desc")
        );
        assert!(title.text.len() > 10 && description.text.len() > 20);
        let label = picture.attribute("aria-labelledby").unwrap();
        for id in [title, description].map(|element| element.attribute("id").unwrap()) {
            assert!(label.split(' ').any(|label| label == id));
        }
        // Ink follows light and dark.
        assert!(
            picture
                .all("text")
                .iter()
                .all(|text| text.attribute("fill") == Some("currentColor"))
        );
    }
    document
}

fn songs_in(folder: &Path) {
    let cut = |channels: &[Vec<f32>; 2], seconds: std::ops::Range<usize>| -> Vec<Vec<f64>> {
        let cut = channels
            .iter()
            .map(|channel| &channel[seconds.start * 44_100..seconds.end * 44_100]);
        cut.map(|channel| channel.iter().map(|x| f64::from(*x)).collect())
            .collect()
    };
    let rink = cut(&rink_lights(44_100).channels, 28..34);
    let dense = cut(&turnstile(44_100).channels, 15..20);
    for (name, planes) in [("rink & <roll>.wav", rink), ("dense.wav", dense)] {
        fs::write(folder.join(name), wav(44_100, Stored::Int24, None, &planes)).unwrap();
    }
    let mono = [tone(44_100, 997.0, -20.0, 4.0)];
    fs::write(
        folder.join("mono.wav"),
        wav(44_100, Stored::Int16, None, &mono),
    )
    .unwrap();
    let silent = vec![vec![0.0; 44_100]; 2];
    fs::write(
        folder.join("silent.wav"),
        wav(44_100, Stored::Int16, None, &silent),
    )
    .unwrap();
    fs::write(folder.join("broken.wav"), [9; 4_000]).unwrap();
}

/// A table by the beginning of its caption: for each row its heading and its cells.
fn table(document: &Element, caption: &str) -> Vec<(String, Vec<String>)> {
    let tables = document.all("table");
    let found = tables
        .iter()
        .find(|table| table.inside[0].text.starts_with(caption));
    let body = found
        .unwrap_or_else(|| panic!("no table {caption}"))
        .all("tbody")[0]
        .clone();
    let row = |row: &&Element| {
        let cells = row.all("td").iter().map(|cell| cell.text.clone()).collect();
        (row.all("th")[0].text.clone(), cells)
    };
    body.all("tr").iter().map(row).collect()
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok()
}

/// Source: `crestline measure --json` of the same files, and `crestline encoded --json`.
#[test]
fn the_page_is_valid_and_its_numbers_are_measures() {
    let folder = folder("report_page");
    songs_in(&folder);
    let files = ["rink & <roll>.wav", "dense.wav", "mono.wav", "silent.wav"];
    let arguments = [
        &["report"],
        &files[..],
        &[
            "broken.wav",
            "--reference",
            "dense.wav",
            "--html",
            "out.html",
        ],
    ]
    .concat();
    let output = crestline(&folder, &arguments);
    // The bad file is named, and does not stop the rest.
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stderr));
    assert!(text(&output.stderr).starts_with("broken.wav: not an audio file"));
    assert_eq!(text(&output.stdout), "out.html: 4 of 5 songs\n");
    let page = fs::read_to_string(folder.join("out.html")).unwrap();
    let document = check(&page);
    assert!(document.text.contains("broken.wav: not an audio file"));
    // A plane for the record; history, plane and balance for each song.
    assert_eq!(document.all("svg").len(), 1 + 3 * files.len());

    let (measured, _) = measure_json(&folder, &files);
    let rows = table(&document, "Whole songs");
    assert_eq!(rows.len(), files.len());
    let mut compared = 0;
    for ((name, cells), measured) in rows.iter().zip(&measured) {
        assert!(name.ends_with(measured["file"].as_str().unwrap()), "{name}");
        for (cell, (key, step)) in cells[1..].iter().zip([
            ("integrated_lufs", 0.1),
            ("loudness_range_lu", 0.1),
            ("short_term_max_lufs", 0.1),
            ("true_peak_dbtp", 0.01),
            ("plr_db", 0.1),
            ("short_term_plr_min_db", 0.1),
            ("ldr_db", 0.1),
        ]) {
            match measured[key].as_f64() {
                None => assert_eq!(cell, "—", "{name} {key}"),
                Some(value) => {
                    // Half a step of what is shown, and half a thousandth of the JSON.
                    let error = (number(cell).unwrap() - value).abs();
                    assert!(
                        error <= 0.5 * step + 6e-4,
                        "{name} {key}: {cell} for {value}"
                    );
                    compared += 1;
                }
            }
        }
    }
    assert!(compared > 15, "{compared}");

    // By definition: a level less the loudness; the album moves as one, its loudest song to the
    // level.
    let lufs: Vec<Option<f64>> = measured
        .iter()
        .map(|m| m["integrated_lufs"].as_f64())
        .collect();
    let loudest = lufs.iter().flatten().copied().fold(f64::MIN, f64::max);
    let rows = table(&document, "Playback levelled");
    for (((_, cells), lufs), measured) in rows.iter().zip(&lufs).zip(&measured) {
        let Some(lufs) = lufs else {
            assert!(cells.iter().all(|cell| cell == "—"), "{cells:?}");
            continue;
        };
        let cell = |index: usize| number(&cells[index]).unwrap();
        assert!((cell(1) - (lufs + cell(0))).abs() < 0.11);
        // What is left between the turned-down peak and −1 dBTP (common practice).
        let peak = measured["true_peak_dbtp"].as_f64().unwrap();
        assert!(
            (cell(2) - (-1.0 - peak - cell(0))).abs() < 0.16,
            "{cells:?}"
        );
        assert!(cell(1) <= -13.95);
        assert!((cell(3) - (-14.0 - loudest)).abs() < 0.06, "{cells:?}");
        assert!(
            (cell(4) - (lufs - 14.0 - loudest)).abs() < 0.06,
            "{cells:?}"
        );
    }

    let encoded = json(&folder, &["encoded", "dense.wav"]);
    let sections = document.all("section");
    let dense = sections
        .iter()
        .find(|section| section.attribute("aria-labelledby") == Some("song-2"));
    let rows = table(dense.unwrap(), "Encoded and decoded");
    let coded = encoded["coded"].as_array().unwrap();
    assert_eq!(rows.len(), coded.len() + 1);
    for ((_, cells), coded) in rows[1..].iter().zip(coded) {
        let peak = coded["true_peak_dbtp"].as_f64().unwrap();
        assert!((number(&cells[1]).unwrap() - peak).abs() < 6e-3);
        assert_eq!(cells[3], coded["samples_over"].to_string());
    }
    // Song 2 is its own reference.
    assert!(dense.unwrap().text.contains("Nothing that is measured"));
}

/// The list of a song's cautions.
fn cautions(document: &Element, id: &str) -> Vec<String> {
    let sections = document.all("section");
    let song = sections
        .iter()
        .find(|section| section.attribute("aria-labelledby") == Some(id));
    let boxes = song.unwrap().all("div").into_iter();
    let told = boxes.filter(|div| div.attribute("class") == Some("cautions"));
    let items = told.flat_map(|div| div.all("li"));
    items.map(|item| item.text.clone()).collect()
}

/// By construction: a tone that swells and fades, and the same bent at half its peak and turned down,
/// so that nothing lies near full scale.
#[test]
fn what_was_clipped_and_turned_down_is_a_caution() {
    let folder = folder("report_bent");
    let swells = |n: usize| 0.55 + 0.45 * (n as f64 / 40_000.0).sin();
    let whole: Vec<f64> = tone(48_000, 200.0, -1.0, 8.0)
        .into_iter()
        .enumerate()
        .map(|(n, sample)| swells(n) * sample)
        .collect();
    let bent: Vec<f64> = whole.iter().map(|x| 0.7 * x.clamp(-0.5, 0.5)).collect();
    for (name, plane) in [("whole.wav", &whole), ("bent.wav", &bent)] {
        let file = wav(48_000, Stored::Int24, None, std::slice::from_ref(plane));
        fs::write(folder.join(name), file).unwrap();
    }
    let arguments = ["report", "whole.wav", "bent.wav", "--html", "out.html"];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let told = [1, 2].map(|song| cautions(&document, &format!("song-{song}")).concat());
    assert!(!told[0].contains("are flat"), "{told:?}");
    assert!(
        told[1].contains(" % of its highest tops are flat,"),
        "{told:?}"
    );
    assert!(!told[1].contains("clipped run"), "{told:?}");
}

#[test]
fn a_section_without_a_reference_is_wrong_usage() {
    let folder = folder("report_section");
    let arguments = [
        "report",
        "a.wav",
        "--html",
        "out.html",
        "--section",
        "whole",
    ];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(2));
    let line = text(&output.stderr);
    assert!(
        line.starts_with("--section changes nothing without --reference;"),
        "{line}"
    );
    assert_eq!(line.lines().count(), 1);
}

#[test]
fn cautions_are_whole_sentences_told_once_whatever_the_name() {
    let folder = folder("report_cautions");
    let mut one = tone(96_000, 997.0, -6.0, 4.0);
    // A run of five samples at full scale, and nothing else near it.
    one[100_000..100_005].fill(1.0);
    let mut two = one.clone();
    two[200_000..200_005].fill(-1.0);
    let planes = [one, two, vec![0.0; 96_000]];
    let files = ["take: one.wav", "take: two.wav", "take: silent.wav"];
    for (name, plane) in files.iter().zip(planes) {
        fs::write(
            folder.join(name),
            wav(96_000, Stored::Int24, None, &[plane]),
        )
        .unwrap();
    }
    let arguments = [
        &["report"],
        &files[..],
        &["--reference", "take: one.wav", "--html", "out.html"],
    ];
    let output = crestline(&folder, &arguments.concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let told: Vec<Vec<String>> = (1..=3)
        .map(|song| cautions(&document, &format!("song-{song}")))
        .collect();
    for told in &told {
        assert!(told.len() > 1, "{told:?}");
        assert_eq!(
            told.iter().collect::<HashSet<_>>().len(),
            told.len(),
            "{told:?}"
        );
        for sentence in told {
            assert!(
                sentence.starts_with(|first: char| !first.is_lowercase()),
                "{sentence}"
            );
            assert!(
                sentence.ends_with('.') && !sentence.contains("take"),
                "{sentence}"
            );
        }
    }
    assert!(
        told[0]
            .iter()
            .any(|line| line.starts_with("1 clipped run: ")),
        "{told:?}"
    );
    assert!(
        told[1]
            .iter()
            .any(|line| line.starts_with("2 clipped runs: ")),
        "{told:?}"
    );
    for song in &told {
        assert!(
            song.iter()
                .any(|line| line.starts_with("Brought to 48 kHz before")),
            "{told:?}"
        );
    }
    let silent = told[2].iter().filter(|line| line.starts_with("Silent"));
    assert_eq!(silent.count(), 1, "{told:?}");
    assert!(
        told[2]
            .iter()
            .any(|line| line.starts_with("Not compared: ")),
        "{told:?}"
    );
}

// The figures beside the words are shown to hundredths.
#[test]
fn no_word_contradicts_the_figure_beside_it() {
    let folder = folder("report_words");
    let names = ["under.wav", "over.wav"];
    // A sample alone: the true peak is that of the sample.
    for (name, peak_dbfs) in names.iter().zip([-1.0, -0.95]) {
        let mut plane = tone(48_000, 997.0, -30.0, 4.0);
        plane[144_000..].fill(0.0);
        plane[168_000] = 10_f64.powf(peak_dbfs / 20.0);
        let bytes = wav(48_000, Stored::Float32, None, &[plane]);
        fs::write(folder.join(name), bytes).unwrap();
    }
    let arguments = [&["report"], &names[..], &["--html", "out.html"]];
    let output = crestline(&folder, &arguments.concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let words = table(&document, "Target").into_iter();
    let words: Vec<String> = words.map(|(_, cells)| cells[1].clone()).collect();
    assert_eq!(words, ["in", "above"]);
    let told = cautions(&document, "song-2");
    let peak = "The true peak of -0.95 dBTP is above the -1.0 dBTP";
    assert!(told.iter().any(|line| line.starts_with(peak)), "{told:?}");
}

#[test]
fn an_encoder_is_not_blamed_for_what_was_over_before() {
    let folder = folder("report_over");
    let mut plane = tone(48_000, 997.0, -12.0, 4.0);
    plane[100_000] = 1.2;
    let bytes = wav(48_000, Stored::Float32, None, &[plane]);
    fs::write(folder.join("over.wav"), bytes).unwrap();
    let arguments = ["report", "over.wav", "--html", "out.html"];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let told = cautions(&document, "song-1");
    let before = "1 sample lies beyond full scale before any encoder.";
    assert!(told.iter().any(|line| line == before), "{told:?}");
    assert!(
        !told.iter().any(|line| line.contains("it beyond")),
        "{told:?}"
    );
}

/// Half of 8 kHz lies within one region and below another, and a tone sounds in one region alone.
#[test]
fn what_a_file_does_not_hold_has_no_crest_factor() {
    let folder = folder("report_regions");
    let plane = tone(8_000, 300.0, -6.0, 4.0);
    let bytes = wav(8_000, Stored::Int24, None, &[plane]);
    fs::write(folder.join("low.wav"), bytes).unwrap();
    let output = crestline(&folder, &["report", "low.wav", "--html", "out.html"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let crest = table(&document, "Density and balance");
    let told: Vec<bool> = crest
        .iter()
        .map(|(_, cells)| number(&cells[0]).is_some())
        .collect();
    assert_eq!(told, [false, true, false, false], "{crest:?}");
}

/// A tone for lining up levels lies in one region alone, and says nothing of the songs' balance.
#[test]
fn a_tone_among_the_songs_moves_none_of_them() {
    let folder = folder("report_line_up");
    songs_in(&folder);
    let bytes = wav(
        48_000,
        Stored::Int24,
        None,
        &[tone(48_000, 1_000.0, -18.0, 6.0)],
    );
    fs::write(folder.join("tone.wav"), bytes).unwrap();
    let balance = |files: &[&str]| {
        let options = ["--no-encoders", "--force", "--html", "tone.html"];
        let output = crestline(&folder, &[&["report"], files, &options].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let page = check(&fs::read_to_string(folder.join("tone.html")).unwrap());
        table(&page, "Balance: each song less the median")
    };
    let songs = ["dense.wav", "rink & <roll>.wav"];
    let (without, with) = (balance(&songs), balance(&[songs[0], songs[1], "tone.wav"]));
    let tone = &with[2].1;
    for (region, of_tone) in tone.iter().enumerate() {
        if number(of_tone).is_none() {
            for (song, other) in without.iter().zip(&with) {
                assert_eq!(song.1[region], other.1[region], "{with:?}");
            }
        }
    }
    let silent = tone.iter().filter(|cell| number(cell).is_none());
    assert_eq!(silent.count(), 3, "{with:?}");
}

/// What only one song has is compared with nothing.
#[test]
fn one_known_value_is_no_comparison() {
    let folder = folder("report_two");
    songs_in(&folder);
    let report = |files: &[&str]| {
        let options = ["--no-encoders", "--force", "--html", "two.html"];
        let output = crestline(&folder, &[&["report"], files, &options].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        check(&fs::read_to_string(folder.join("two.html")).unwrap())
    };
    let told = [
        "a spread of",
        "differ most",
        "The loudest: ",
        "The least dynamic",
    ];
    let alone = report(&["dense.wav", "silent.wav"]);
    for words in told {
        assert!(!alone.text.contains(words), "{words}");
    }
    for (name, cells) in table(&alone, "Balance: each song less the median") {
        assert!(cells.iter().all(|cell| cell == "—"), "{name}: {cells:?}");
    }
    // Playback as an album needs no second song.
    let played = table(&alone, "Playback levelled");
    assert!(number(&played[0].1[4]).is_some_and(|lufs| (lufs + 14.0).abs() < 0.05));
    let both = report(&["dense.wav", "rink & <roll>.wav", "silent.wav"]);
    for words in told {
        assert!(both.text.contains(words), "{words}");
    }
}

/// The balance is drawn of the parts that are compared, and says which they are; of a song that
/// could not be compared it is drawn alone.
#[test]
fn pictures_say_which_part_of_a_song_they_show() {
    let folder = folder("report_parts");
    songs_in(&folder);
    let arguments = [
        "report",
        "dense.wav",
        "silent.wav",
        "--no-encoders",
        "--html",
        "parts.html",
        "--reference",
        "rink & <roll>.wav",
        "--section",
        "1-5",
    ];
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("parts.html")).unwrap());
    let pictures = document.all("svg");
    let words = |id: &str| {
        let title = format!("{id}-title");
        let found = pictures
            .iter()
            .find(|svg| svg.inside[0].attribute("id") == Some(&title));
        found.unwrap().text.clone()
    };
    for part in ["song, 1.0 s to 5.0 s", "reference, 1.0 s to 5.0 s"] {
        let times = words("song-1-balance").matches(part).count();
        assert_eq!(times, 2, "{part}: in the description, and beside the curve");
        assert!(!words("song-2-balance").contains(part), "{part}");
    }
    assert!(!words("song-2-balance").contains("reference"));
    for mark in [
        "song, whole",
        "song, part",
        "reference, whole",
        "reference, part",
    ] {
        assert_eq!(words("song-1-plane").matches(mark).count(), 2, "{mark}");
    }
}

/// By construction: a pause holds no readings. What surrounds it is told as it is without it, and no
/// line is drawn across it. Hits that stand apart, one of 0.35 s every 3 s, are drawn each.
#[test]
fn a_pause_is_a_gap_in_the_history() {
    let folder = folder("report_pause");
    let song = rink_lights(48_000).channels;
    let song = song.map(|plane| plane[1_344_000..1_920_000].to_vec());
    let song = song.map(|plane| plane.into_iter().map(f64::from).collect::<Vec<_>>());
    let paused: Vec<Vec<f64>> = song
        .iter()
        .map(|plane| [&plane[..], &vec![0.0; 480_000], plane, &vec![0.0; 192_000]].concat())
        .collect();
    let mut hits = song.clone();
    for plane in &mut hits {
        for (frame, sample) in plane.iter_mut().enumerate() {
            *sample *= f64::from(u8::from(frame < 192_000 || frame % 144_000 < 16_800));
        }
    }
    for (name, planes) in [
        ("song.wav", &song[..]),
        ("paused.wav", &paused),
        ("hits.wav", &hits),
    ] {
        fs::write(
            folder.join(name),
            wav(48_000, Stored::Float32, None, planes),
        )
        .unwrap();
    }
    let files = ["song.wav", "paused.wav", "hits.wav"];
    let arguments = [
        &["report"][..],
        &files,
        &["--no-encoders", "--html", "out.html"],
    ]
    .concat();
    let output = crestline(&folder, &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document = check(&fs::read_to_string(folder.join("out.html")).unwrap());
    let pictures = document.all("svg");
    let history = |song: usize| {
        let title = format!("song-{song}-history-title");
        let of = |svg: &&Element| svg.inside[0].attribute("id") == Some(&title);
        pictures.iter().copied().find(of).unwrap()
    };
    let ends = |song: usize| {
        let words = history(song).text.clone();
        let numbers = words.split_whitespace().filter_map(number);
        numbers.skip(1).take(4).collect::<Vec<_>>()
    };
    let (whole, paused) = (ends(1), ends(2));
    assert_eq!(whole.len(), 4, "{whole:?}");
    // After a pause a window of 3 s holds some of it: 2 s are 4.8 dB.
    for (whole, paused) in whole.iter().zip(&paused) {
        assert!((whole - paused).abs() < 5.0, "{whole} and {paused}");
    }
    let lines = |song: usize| {
        let lines = history(song).all("polyline");
        lines
            .iter()
            .map(|line| line.attribute("points").unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    let across = |points: &str| {
        let points = points.split_whitespace();
        let xs: Vec<f64> = points
            .filter_map(|point| point.split(',').next()?.parse().ok())
            .collect();
        let steps = xs.windows(2).map(|pair| pair[1] - pair[0]);
        steps.fold(0.0, f64::max)
    };
    let curves = |song: usize| {
        let curved = |points: &&String| points.split_whitespace().count() > 5;
        lines(song)
            .iter()
            .filter(curved)
            .map(|points| across(points))
            .collect::<Vec<_>>()
    };
    assert_eq!((curves(1).len(), curves(2).len()), (2, 4));
    let short = |points: &String| points.split_whitespace().count() < 2;
    assert!(!lines(3).iter().any(short), "{:?}", lines(3));
    let second = 900.0 / 38.0;
    assert!(
        curves(2).iter().all(|widest| *widest < 1.5 * second),
        "{:?}",
        curves(2)
    );
}

/// AES TD1008 asks −14 LUFS of an album's loudest track alone.
#[test]
fn of_an_album_the_loudest_song_alone_has_to_be_that_loud() {
    let folder = folder("report_album");
    for (name, level) in [("loud.wav", -14.0), ("soft.wav", -18.0), ("hot.wav", -12.0)] {
        let planes = vec![tone(48_000, 997.0, level, 4.0); 2];
        let bytes = wav(48_000, Stored::Int24, None, &planes);
        fs::write(folder.join(name), bytes).unwrap();
    }
    let judged = |songs: &[&str], target: &str| -> Vec<String> {
        let rest = [
            "--no-encoders",
            "--force",
            "--html",
            "a.html",
            "--target",
            target,
        ];
        let output = crestline(&folder, &[&["report"], songs, &rest].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let page = fs::read_to_string(folder.join("a.html")).unwrap();
        let rows = table(&check(&page), "Target: ");
        rows.into_iter()
            .map(|(_, cells)| cells[0].clone())
            .collect()
    };
    let (album, track) = ("aes-td1008-album", "aes77-track");
    assert_eq!(judged(&["loud.wav", "soft.wav"], album), ["in", "in"]);
    assert_eq!(judged(&["loud.wav", "soft.wav"], track), ["above", "below"]);
    assert_eq!(judged(&["hot.wav", "soft.wav"], album), ["above", "in"]);
    // Alone it is the loudest.
    assert_eq!(judged(&["soft.wav"], album), ["below"]);
}

#[test]
fn a_mono_reference_says_why_it_reads_louder() {
    let folder = folder("report_mono_reference");
    songs_in(&folder);
    for (reference, said) in [("mono.wav", true), ("dense.wav", false)] {
        let output = crestline(
            &folder,
            &[
                "report",
                "rink & <roll>.wav",
                "--reference",
                reference,
                "--no-encoders",
                "--force",
                "--html",
                "a.html",
            ],
        );
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let page = fs::read_to_string(folder.join("a.html")).unwrap();
        assert_eq!(check(&page).text.contains("3.01 LU louder"), said);
    }
}

#[test]
fn one_song_stands_alone_and_nothing_is_overwritten_unasked() {
    let folder = folder("report_one");
    songs_in(&folder);
    let arguments = ["report", "mono.wav", "--no-encoders", "--html", "one.html"];
    let output = crestline(
        &folder,
        &[&arguments[..], &["--target", "ebu-r128"]].concat(),
    );
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let page = fs::read_to_string(folder.join("one.html")).unwrap();
    let document = check(&page);
    assert!(!document.text.contains("The loudest"));
    assert!(document.text.contains("EBU R 128, version 5"));
    assert!(document.text.contains("One channel reads 3.01 LU below"));
    assert_eq!(document.all("svg").len(), 3);

    let again = crestline(&folder, &arguments);
    assert_eq!(again.status.code(), Some(4));
    assert!(text(&again.stderr).starts_with("one.html: is there already; "));
    assert_eq!(fs::read_to_string(folder.join("one.html")).unwrap(), page);
    let forced = crestline(&folder, &[&arguments[..], &["--force"]].concat());
    assert_eq!(forced.status.code(), Some(0));

    for (wrong, code) in [
        (&["report", "mono.wav"][..], 2),
        (
            &["report", "mono.wav", "--html", "a.html", "--target", "none"],
            2,
        ),
        (
            &[
                "report",
                "mono.wav",
                "--html",
                "a.html",
                "--playback-lufs",
                "0",
            ],
            2,
        ),
        (
            &[
                "report",
                "mono.wav",
                "--html",
                "no/folder/a.html",
                "--no-encoders",
            ],
            4,
        ),
        (&["report", "broken.wav", "--html", "a.html"], 3),
        (
            &[
                "report",
                "mono.wav",
                "--html",
                "a.html",
                "--reference",
                "broken.wav",
            ],
            3,
        ),
    ] {
        assert_eq!(
            crestline(&folder, wrong).status.code(),
            Some(code),
            "{wrong:?}"
        );
        assert!(!folder.join("a.html").exists());
    }
}
