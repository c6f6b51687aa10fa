//! The pages of a pack as answers to requests, for the program's own server.

use super::content::Content;
use super::page::{Fetch, Levels, fibre_page, index_page, policy};

/// What came in, as far as it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked<'r> {
    /// Method, such as `GET`.
    pub method: &'r str,
    /// Path, as it was sent.
    pub path: &'r str,
    /// The host that the browser thinks it talks to.
    pub host: Option<&'r str>,
}

/// What goes out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Status of the answer.
    pub status: u16,
    /// Type of the content.
    pub kind: &'static str,
    /// The content.
    pub body: Vec<u8>,
}

impl Answer {
    fn text(status: u16, text: &str) -> Self {
        Self {
            status,
            kind: "text/plain; charset=utf-8",
            body: format!("{text}\n").into_bytes(),
        }
    }

    fn page(text: String) -> Self {
        Self {
            status: 200,
            kind: "text/html; charset=utf-8",
            body: text.into_bytes(),
        }
    }

    /// The headers that go with every answer beside its type.
    pub fn headers() -> Vec<(&'static str, String)> {
        vec![
            ("Content-Security-Policy", policy(Fetch::SameServer)),
            ("X-Content-Type-Options", "nosniff".to_owned()),
            ("Referrer-Policy", "no-referrer".to_owned()),
            ("Cross-Origin-Resource-Policy", "same-origin".to_owned()),
            ("Cross-Origin-Opener-Policy", "same-origin".to_owned()),
            ("Cache-Control", "no-store".to_owned()),
        ]
    }
}

/// Answers a request for a page or for levels; nothing is ever written.
///
/// A request that names another host than this machine's own address and `port` is
/// refused: a page from elsewhere could else read the answers under a name that it
/// made point here.
pub fn answer(content: &Content<'_>, port: u16, asked: Asked<'_>) -> Answer {
    let is_own = asked.host.is_some_and(|host| {
        [format!("127.0.0.1:{port}"), format!("localhost:{port}")]
            .iter()
            .any(|own| host.eq_ignore_ascii_case(own))
    });
    if !is_own {
        return Answer::text(403, "only this machine's own address is served");
    }
    if !matches!(asked.method, "GET" | "HEAD") {
        return Answer::text(405, "only GET is answered");
    }
    let path = asked.path.split(['?', '#']).next().unwrap_or_default();
    if matches!(path, "/" | "/index.html") {
        return Answer::page(index_page(content, &[]));
    }
    if let Some(page) = path
        .strip_prefix("/fibres/")
        .and_then(|rest| rest.strip_suffix(".html"))
    {
        return fibre(content, &unescaped(page));
    }
    if let Some(index) = path.strip_prefix("/levels/") {
        return match index.parse() {
            Ok(index) if index < content.links.len() => levels(content, index),
            _ => Answer::text(404, "there is no such link"),
        };
    }
    Answer::text(404, "there is no such page")
}

fn fibre(content: &Content<'_>, page: &str) -> Answer {
    let links: Vec<usize> = (0..content.links.len())
        .filter(|&index| content.links.get(index).is_some_and(|e| e.page == page))
        .collect();
    if links.is_empty() {
        return Answer::text(404, "there is no such fibre");
    }
    let mut parts = Vec::new();
    for index in links {
        match (content.links.get(index), (content.profiles)(index)) {
            (Some(entry), Ok(profiles)) => parts.push((entry, index, profiles)),
            (_, Err(error)) => return Answer::text(500, &super::chain(&error)),
            (None, _) => {}
        }
    }
    let levels: Vec<_> = parts
        .iter()
        .map(|(entry, index, profiles)| {
            (*entry, Levels::At(format!("../levels/{index}"), profiles))
        })
        .collect();
    match fibre_page(content, &levels, &[]) {
        Ok(text) => Answer::page(text),
        Err(error) => Answer::text(500, &super::chain(&error)),
    }
}

/// Levels from A, then as many from B, each as four bytes, the low one first.
fn levels(content: &Content<'_>, index: usize) -> Answer {
    match (content.profiles)(index) {
        Ok(profiles) => Answer {
            status: 200,
            kind: "application/octet-stream",
            body: profiles
                .level_a_db
                .iter()
                .chain(&profiles.level_b_db)
                .flat_map(|&level| (level as f32).to_le_bytes())
                .collect(),
        },
        Err(error) => Answer::text(500, &super::chain(&error)),
    }
}

/// A path with its `%41` read; what is no such sign stays as it is.
fn unescaped(path: &str) -> String {
    let mut bytes = Vec::with_capacity(path.len());
    let mut rest = path.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        let hex = |at: usize| {
            after
                .get(at)
                .and_then(|&digit| char::from(digit).to_digit(16))
        };
        if let (b'%', Some(high), Some(low)) = (first, hex(0), hex(1)) {
            bytes.push(u8::try_from(high * 16 + low).unwrap_or(b'%'));
            rest = after.get(2..).unwrap_or_default();
        } else {
            bytes.push(first);
            rest = after;
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::unescaped;

    #[test]
    fn a_path_is_read_as_the_browser_meant_it() {
        assert_eq!(unescaped("HL-%c3%96-1"), "HL-Ö-1");
        assert_eq!(unescaped("100%"), "100%");
        assert_eq!(unescaped("%zz%4"), "%zz%4");
    }
}
