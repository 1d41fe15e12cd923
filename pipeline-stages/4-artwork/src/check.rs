//! What is refused or noted before the drawing is built: a drawing library leaves out quietly what
//! it cannot do.

use std::collections::BTreeMap;

use svgtypes::PathParser;
use usvg::roxmltree::{Document, Node, ParsingOptions};

use crate::Error;

/// Bytes; a complicated emblem has some hundred thousand.
const MAX_BYTES: usize = 16 << 20;
/// Elements, those repeated by `use` counted each time.
const MAX_ELEMENTS: usize = 20_000;
/// Elements inside each other, those reached by `use` included.
const MAX_DEPTH: usize = 100;
/// Path segments in the file.
const MAX_SEGMENTS: usize = 100_000;

/// The bytes as text.
pub(crate) fn text<'a>(bytes: &'a [u8], file: &str) -> Result<&'a str, Error> {
    let wrong = |seen, remedy| Error::WrongFormat {
        file: file.to_owned(),
        seen,
        remedy,
    };
    if bytes.is_empty() {
        return Err(Error::Empty {
            file: file.to_owned(),
        });
    }
    if bytes.len() > MAX_BYTES {
        let seen = format!("{} bytes", bytes.len());
        return Err(Error::TooComplex {
            file: file.to_owned(),
            seen,
            limit: MAX_BYTES,
        });
    }
    if bytes.starts_with(b"\x1f\x8b") {
        return Err(wrong("a compressed drawing (SVGZ)", "save it as plain SVG"));
    }
    if bytes.starts_with(b"%PDF") || bytes.starts_with(b"%!PS") {
        return Err(wrong(
            "a PDF or PostScript document",
            "export the emblem as plain SVG",
        ));
    }
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        return Err(wrong("text in UTF-16", "save it as plain SVG in UTF-8"));
    }
    let text = std::str::from_utf8(bytes).map_err(|_| {
        wrong(
            "no text (not valid UTF-8)",
            "export it again as plain SVG, or copy it again",
        )
    })?;
    Ok(text.trim_start_matches('\u{feff}'))
}

/// The parsed XML, its root an `svg` element.
pub(crate) fn xml<'a>(text: &'a str, file: &str) -> Result<Document<'a>, Error> {
    // A node for each element, text run and comment.
    let nodes_limit = 4 * MAX_ELEMENTS as u32;
    let options = ParsingOptions {
        allow_dtd: true,
        nodes_limit,
        ..ParsingOptions::default()
    };
    let document = Document::parse_with_options(text, options).map_err(|e| match e {
        usvg::roxmltree::Error::NodesLimitReached => {
            too_complex(file, "very many elements".to_owned(), MAX_ELEMENTS)
        }
        // The end is missing, but the parser names the beginning.
        usvg::roxmltree::Error::UnclosedRootNode => Error::Malformed {
            file: file.to_owned(),
            line: text.lines().count() as u32,
            seen: "it ends before its closing </svg>".to_owned(),
        },
        _ => Error::Malformed {
            file: file.to_owned(),
            line: e.pos().row,
            seen: e.to_string(),
        },
    })?;
    match document.root_element().tag_name().name() {
        "svg" => Ok(document),
        other => Err(Error::Malformed {
            file: file.to_owned(),
            line: line_of(&document.root_element()),
            seen: format!("it begins with <{other}> instead of <svg>"),
        }),
    }
}

/// Refuses what has no outline, what is damaged and what is far too large; notes what is left out.
pub(crate) fn contents(document: &Document, file: &str) -> Result<Vec<String>, Error> {
    limit_size(document, file)?;
    let mut pictures = 0;
    let mut segments = 0;
    for node in document.descendants().filter(Node::is_element) {
        match node.tag_name().name() {
            "text" | "flowRoot" => refuse_text(&node, file)?,
            "image" => pictures += 1,
            "foreignObject"
                if !is_hidden(&node)
                    && node.parent().is_some_and(|p| !p.has_tag_name("switch")) =>
            {
                return Err(Error::NotAnOutline {
                    file: file.to_owned(),
                    seen: "a foreign object",
                    remedy: "remove it",
                });
            }
            "path" => segments += path_segments(&node, file)?,
            _ => {}
        }
        if segments > MAX_SEGMENTS {
            return Err(too_complex(
                file,
                "very many path segments".to_owned(),
                MAX_SEGMENTS,
            ));
        }
    }
    let mut notes = Vec::new();
    if pictures > 0 {
        notes.push(format!(
            "{pictures} placed picture(s) left out: only drawn shapes are cut"
        ));
    }
    Ok(notes)
}

fn refuse_text(node: &Node, file: &str) -> Result<(), Error> {
    let words: String = node
        .descendants()
        .filter_map(|n| n.is_text().then(|| n.text())?)
        .collect();
    let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
    if words.is_empty() || is_hidden(node) {
        return Ok(());
    }
    let seen = words.chars().take(30).collect();
    Err(Error::Text {
        file: file.to_owned(),
        line: line_of(node),
        seen,
    })
}

/// Whether the element or one around it is switched off by its own attributes, or only defined.
fn is_hidden(node: &Node) -> bool {
    node.ancestors().any(|n| {
        let style = n.attribute("style").unwrap_or("");
        let style: String = style.chars().filter(|c| !c.is_whitespace()).collect();
        n.attribute("display") == Some("none")
            || style.contains("display:none")
            || matches!(n.tag_name().name(), "metadata" | "title" | "desc")
    })
}

/// Number of segments; an error in the data would else end the path there without a word.
fn path_segments(node: &Node, file: &str) -> Result<usize, Error> {
    let Some(data) = node.attribute("d").filter(|d| d.trim() != "none") else {
        return Ok(0);
    };
    PathParser::from(data).try_fold(0, |count, segment| match segment {
        Ok(_) => Ok(count + 1),
        Err(e) => Err(Error::Malformed {
            file: file.to_owned(),
            line: line_of(node),
            seen: format!("path data breaks off: {e}"),
        }),
    })
}

fn limit_size(document: &Document, file: &str) -> Result<(), Error> {
    let by_id = document
        .descendants()
        .filter_map(|n| n.attribute("id").map(|id| (id, n)))
        .collect();
    let mut census = Census {
        by_id,
        known: BTreeMap::new(),
    };
    match census.count(document.root_element(), 0) {
        Some(count) if count <= MAX_ELEMENTS => Ok(()),
        // Repeats of repeats are not counted to the last.
        Some(count) if count > 100 * MAX_ELEMENTS => {
            let seen = "elements repeated over and over".to_owned();
            Err(too_complex(file, seen, MAX_ELEMENTS))
        }
        Some(count) => Err(too_complex(file, format!("{count} elements"), MAX_ELEMENTS)),
        None => Err(too_complex(
            file,
            "elements nested very deeply".to_owned(),
            MAX_DEPTH,
        )),
    }
}

/// Counts elements as `use` multiplies them.
struct Census<'a, 'input> {
    by_id: BTreeMap<&'a str, Node<'a, 'input>>,
    /// Elements below a target of `use`, and the levels they take.
    known: BTreeMap<&'a str, (usize, usize)>,
}

impl<'a, 'input> Census<'a, 'input> {
    /// `None` when elements are nested too deeply; `use` in a circle counts as that.
    fn count(&mut self, node: Node<'a, 'input>, depth: usize) -> Option<usize> {
        self.measure(node, depth).map(|(count, _)| count)
    }

    fn measure(&mut self, node: Node<'a, 'input>, depth: usize) -> Option<(usize, usize)> {
        if depth > MAX_DEPTH {
            return None;
        }
        let (mut count, mut levels) = (1usize, 0);
        for child in node.children().filter(Node::is_element) {
            let (inside, below) = self.measure(child, depth + 1)?;
            count = count.saturating_add(inside);
            levels = levels.max(below);
        }
        if let Some(id) = used_id(&node) {
            let (inside, below) = self.measure_used(id, depth + 1)?;
            count = count.saturating_add(inside);
            levels = levels.max(below);
        }
        Some((count, levels + 1))
    }

    fn measure_used(&mut self, id: &'a str, depth: usize) -> Option<(usize, usize)> {
        if let Some(&(count, levels)) = self.known.get(id) {
            return (depth + levels <= MAX_DEPTH).then_some((count, levels));
        }
        let Some(&target) = self.by_id.get(id) else {
            return Some((0, 0));
        };
        let measured = self.measure(target, depth)?;
        self.known.insert(id, measured);
        Some(measured)
    }
}

/// The id that a `use` element repeats.
fn used_id<'a>(node: &Node<'a, '_>) -> Option<&'a str> {
    const XLINK: &str = "http://www.w3.org/1999/xlink";
    if node.tag_name().name() != "use" {
        return None;
    }
    let href = node
        .attribute("href")
        .or_else(|| node.attribute((XLINK, "href")))?;
    href.trim().strip_prefix('#')
}

fn too_complex(file: &str, seen: String, limit: usize) -> Error {
    Error::TooComplex {
        file: file.to_owned(),
        seen,
        limit,
    }
}

fn line_of(node: &Node) -> u32 {
    node.document().text_pos_at(node.range().start).row
}
