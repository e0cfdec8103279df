//! `report.html` as a person gets it: its words, its escaping, and that it needs nothing from elsewhere.
//!
//! Sources outside the project: the WHATWG HTML parser (html5ever, through `scraper`) decides what the page's text is and whether it is well formed; the Content
//! Security Policy's hash is that of the style element's text (CSP level 3, 2.3.1 and 8.4).

use crate::examples;

use base64::Engine;
use examples::{Recipe, CLEAR, HIGH_CAMERA, HOSTILE_NAME, SUSPECTED, UPRIGHT};
use scraper::{ElementRef, Html, Selector};
use sha2::{Digest, Sha256};
use shankline::outcome::Outcome;
use shankline::report;
use shankline::types::RgbImage;
use std::path::Path;

/// The page for `outcome`. With SHANKLINE_REPORT_DIR set, the whole report stays there under `name`, to be looked at.
fn page(name: &str, outcome: &Outcome, stills: &[Option<RgbImage>]) -> String {
    let scratch = tempfile::tempdir().unwrap();
    let kept = std::env::var_os("SHANKLINE_REPORT_DIR").map(|d| Path::new(&d).join(name));
    let written = report::write(outcome, stills, kept.as_deref().unwrap_or(scratch.path())).unwrap();
    std::fs::read_to_string(written.report_html).unwrap()
}

fn stills(recipe: &Recipe, count: usize) -> Vec<Option<RgbImage>> {
    vec![Some(recipe.scene().draw()); count]
}

fn select<'a>(page: &'a Html, css: &str) -> Vec<ElementRef<'a>> {
    page.select(&Selector::parse(css).unwrap()).collect()
}

/// The texts a reader meets, one text node a line, without the style sheet; no-break spaces become plain ones.
fn words(page: &Html) -> String {
    let mut lines = Vec::new();
    for node in page.tree.root().descendants() {
        let Some(text) = node.value().as_text() else {
            continue;
        };
        let in_style = node
            .parent()
            .and_then(|p| p.value().as_element().map(|e| e.name() == "style"))
            .unwrap_or(false);
        let line = text.replace('\u{a0}', " ").split_whitespace().collect::<Vec<_>>().join(" ");
        if !in_style && !line.is_empty() {
            lines.push(line);
        }
    }
    lines.join("\n") + "\n"
}

fn sentences(page: &Html) -> Vec<String> {
    select(page, ".sentence")
        .iter()
        .map(|e| e.text().collect::<String>().replace('\u{a0}', " "))
        .collect()
}

/// Compares with `tests/data/report/NAME.txt`; SHANKLINE_UPDATE_GOLDEN=1 writes it anew, to be read before it is committed.
fn check_golden(name: &str, page: &Html) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/data/report/{name}.txt"));
    let now = words(page);
    if std::env::var_os("SHANKLINE_UPDATE_GOLDEN").is_some() {
        std::fs::write(&path, &now).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap();
    for (i, (a, b)) in expected.lines().zip(now.lines()).enumerate() {
        assert_eq!(a, b, "line {} of {name}.txt", i + 1);
    }
    assert_eq!(expected.lines().count(), now.lines().count(), "length of {name}.txt");
}

/// What holds for every page.
fn check_sound(text: &str) -> Html {
    let page = Html::parse_document(text);
    assert!(page.errors.is_empty(), "the HTML parser found: {:?}", page.errors);
    assert_eq!(select(&page, "html[lang=en]").len(), 1);
    assert_eq!(select(&page, "h1").len(), 1);
    assert!(select(&page, "script, iframe, object, embed, link, base, form, foreignObject").is_empty());

    // Nothing is fetched: every address is a picture's data or a place in this page.
    for element in select(&page, "*") {
        for (name, value) in element.value().attrs() {
            assert!(!name.starts_with("on"), "event handler {name}");
            assert_ne!(name, "style", "an inline style, which the policy forbids");
            if matches!(name, "href" | "src" | "srcset" | "xlink:href" | "data" | "action" | "poster") {
                let inside = value.strip_prefix('#').map(|id| !select(&page, &format!("[id='{id}']")).is_empty());
                assert!(
                    inside.unwrap_or(value.starts_with("data:image/jpeg;base64,/9j/")),
                    "{name}={value:.60}"
                );
            }
            if let Some(rest) = value.split("url(").nth(1) {
                assert!(rest.starts_with('#'), "{name}={value:.60}");
            }
        }
    }
    let style: String = select(&page, "style")[0].text().collect();
    assert!(style.split("url(").skip(1).all(|rest| rest.starts_with('#')) && !style.contains("@import") && !style.contains("</"));
    let policy = select(&page, "meta[http-equiv=Content-Security-Policy]")[0]
        .attr("content")
        .unwrap()
        .to_owned();
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(style.as_bytes()));
    assert!(
        policy.starts_with("default-src 'none';") && policy.contains(&format!("style-src 'sha256-{hash}'")),
        "{policy}"
    );

    // Every drawing is named for those who do not see it, or hidden from them.
    for svg in select(&page, "svg") {
        let named = svg.attr("role") == Some("img") && svg.attr("aria-label").is_some_and(|l| l.len() > 20);
        assert!(named || svg.attr("aria-hidden") == Some("true"), "{:.120}", svg.html());
    }
    for table in select(&page, "table") {
        assert!(table.select(&Selector::parse("caption").unwrap()).next().is_some());
        assert!(table.select(&Selector::parse("th[scope=col]").unwrap()).next().is_some());
        // On a phone the cells are stacked and lose their column: each must name it.
        assert!(table.select(&Selector::parse("td:not([data-label])").unwrap()).next().is_none());
    }
    let levels: Vec<u8> = select(&page, "h1, h2, h3, h4")
        .iter()
        .map(|h| h.value().name().as_bytes()[1] - b'0')
        .collect();
    assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "headings skip a level: {levels:?}");
    let ids: Vec<&str> = select(&page, "[id]").iter().map(|e| e.attr("id").unwrap()).collect();
    assert!(ids.iter().enumerate().all(|(i, id)| !ids[..i].contains(id)), "an id twice: {ids:?}");
    page
}

#[test]
fn suspected() {
    let page = check_sound(&page("suspected", &examples::suspected(), &stills(&SUSPECTED, 1)));
    assert_eq!(
        sentences(&page),
        ["Right leg down, 2.1 s to 3.4 s: suspected \u{2013} the inner heel stood 31 mm ± 6 mm off the carpet (tolerance 15 mm)."]
    );
    assert_eq!(select(&page, "image").len(), 2);
    check_golden("suspected", &page);
}

#[test]
fn clear() {
    let page = check_sound(&page("clear", &examples::clear(), &stills(&CLEAR, 1)));
    assert!(sentences(&page)[0].starts_with("Left leg down, 1.0 s to 3.1 s: clear \u{2013} no checked part"));
    check_golden("clear", &page);
}

#[test]
fn a_high_camera_cannot_tell() {
    let page = check_sound(&page("high_camera", &examples::high_camera(), &stills(&HIGH_CAMERA, 1)));
    let text = words(&page);
    assert!(sentences(&page)[0].contains(
        "cannot tell \u{2013} the inner heel measured 18 mm ± 61 mm off the carpet, and this view shows a lift there only from about 94 mm"
    ));
    assert!(text.contains("Film from knee height, square to the shin."));
    assert!(
        !text.to_lowercase().contains("no fault"),
        "a view that cannot tell must not sound clean"
    );
    check_golden("high_camera", &page);
}

#[test]
fn no_hold() {
    let page = check_sound(&page("no_hold", &examples::no_hold(), &[]));
    let text = words(&page);
    assert!(text.contains("never came to rest") || text.contains("Never came to rest"));
    assert!(text.contains("What to do:"));
    assert!(!text.contains("clear"), "nothing judged must not sound clean");
    check_golden("no_hold", &page);
}

/// The name reaches the reader as it is and nothing of it becomes markup.
#[test]
fn a_hostile_file_name_is_only_text() {
    let mut outcome = examples::several();
    for field in [
        &mut outcome.floor.notes,
        &mut outcome.cautions,
        &mut outcome.input.warnings,
        &mut outcome.holds[0].notes,
    ] {
        field.push(HOSTILE_NAME.to_owned());
    }
    outcome.holds[0].view.advice = HOSTILE_NAME.to_owned();
    outcome.holds[0].findings[0].title = HOSTILE_NAME.to_owned();
    outcome.holds[0].findings[0].basis = HOSTILE_NAME.to_owned();
    outcome.holds[0].findings[0].code = HOSTILE_NAME.to_owned();
    outcome.not_judged[0].detail = HOSTILE_NAME.to_owned();
    outcome.made_by.rules.0 = HOSTILE_NAME.to_owned();
    let page = check_sound(&page("hostile", &outcome, &[None, None]));
    let title: String = select(&page, "title")[0].text().collect();
    assert_eq!(title, format!("Low kneeling stance: {}", "script>\"'&.mp4"));
    let file: String = select(&page, "dd")
        .iter()
        .map(|e| e.text().collect::<String>())
        .find(|t| t.contains("alert(1)"))
        .unwrap();
    assert_eq!(file, HOSTILE_NAME);
    assert!(words(&page).matches("<script>alert(1)</script>\"'&.mp4").count() >= 10);
}

#[test]
fn several_holds_have_a_summary_and_a_section_each() {
    let page = check_sound(&page("several", &examples::several(), &stills(&UPRIGHT, 2)));
    assert_eq!(select(&page, "section.hold-section").len(), 2);
    let links: Vec<_> = select(&page, "table a")
        .iter()
        .map(|a| a.attr("href").unwrap().to_owned())
        .collect();
    assert_eq!(links, ["#hold-1", "#hold-2"]);
    assert!(words(&page).contains("1 suspected, 1 clear"));
}

#[test]
fn a_photograph_does_not_claim_stillness() {
    let page = check_sound(&page("photograph", &examples::photograph(), &stills(&SUSPECTED, 1)));
    let text = words(&page);
    assert!(sentences(&page)[0].starts_with("Right leg down (photograph, stillness not shown): suspected"));
    assert!(text.contains("Stillness not shown: a photograph has no course over time."));
    assert!(!text.contains("Stillness\nshown"));
}

/// Each call has its own shape and its own word, so that nothing rests on colour.
#[test]
fn calls_differ_without_colour() {
    let marks: Vec<String> = [examples::suspected(), examples::clear(), examples::high_camera()]
        .iter()
        .map(|outcome| {
            let html = Html::parse_document(&page("calls", outcome, &[None]));
            let mark = select(&html, ".call .mark")[0].inner_html();
            format!("{mark} {}", select(&html, ".call")[0].text().collect::<String>())
        })
        .collect();
    assert!(marks[0] != marks[1] && marks[1] != marks[2] && marks[0] != marks[2]);
    assert!(marks[0].ends_with("suspected") && marks[1].ends_with("clear") && marks[2].ends_with("cannot tell"));
}
