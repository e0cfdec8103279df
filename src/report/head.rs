//! The head of every page the program writes: nothing may be fetched, and only this style sheet and this script are admitted, by the hashes of their texts.

use base64::Engine;
use maud::{html, Markup, PreEscaped};
use sha2::{Digest, Sha256};

/// The head element. `data_pictures`: whether pictures held in the page itself are shown. `script`: the page's one script, which the page carries at its end.
pub(crate) fn head(title: &str, style: &str, script: Option<&str>, data_pictures: bool) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta http-equiv="Content-Security-Policy" content=(policy(style, script, data_pictures));
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="referrer" content="no-referrer";
            title { (title) }
            style { (PreEscaped(style)) }
        }
    }
}

fn policy(style: &str, script: Option<&str>, data_pictures: bool) -> String {
    let hash = |text: &str| base64::engine::general_purpose::STANDARD.encode(Sha256::digest(text.as_bytes()));
    let pictures = if data_pictures { " img-src data:;" } else { "" };
    let script = script.map_or_else(String::new, |s| format!(" script-src 'sha256-{}';", hash(s)));
    format!(
        "default-src 'none';{pictures}{script} style-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        hash(style)
    )
}
