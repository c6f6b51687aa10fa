//! The pages that `view` serves, asked for as a browser would.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};

use crate::bench::{Bench, FROM_A, FROM_B};

/// A running `bothends view`; ended when it is dropped.
struct Served {
    child: Child,
    port: u16,
}

impl Served {
    fn new(bench: &Bench, folder: &str) -> Self {
        let mut child = bench
            .command(&["view", folder])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let port = line
            .trim()
            .strip_prefix("http://127.0.0.1:")
            .and_then(|rest| rest.strip_suffix('/'))
            .and_then(|port| port.parse().ok())
            .unwrap();
        Self { child, port }
    }

    /// Status line with headers, and body, of a request.
    fn ask(&self, method: &str, path: &str, host: &str) -> (String, Vec<u8>) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
        )
        .unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let end = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        let body = answer.split_off(end + 4);
        (String::from_utf8(answer).unwrap(), body)
    }

    fn get(&self, path: &str) -> (String, Vec<u8>) {
        self.ask("GET", path, &format!("127.0.0.1:{}", self.port))
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_folder_of_traces_is_served_as_pages_and_levels() {
    let bench = Bench::new();
    let before = bench.names(".");
    let served = Served::new(&bench, ".");
    let (head, body) = served.get("/");
    let index = String::from_utf8(body).unwrap();
    assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
    assert!(
        head.contains("Content-Security-Policy: default-src 'none'"),
        "{head}"
    );
    assert!(index.contains("fibres/HL-204-017.html"), "{index}");
    let (head, body) = served.get("/fibres/HL-204-017.html");
    let page = String::from_utf8(body).unwrap();
    assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
    assert!(page.contains("\"samples\":\"../levels/0\"") && page.contains("connect-src 'self'"));
    let (head, body) = served.get("/levels/0");
    assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
    // Level of A's first sample, as its file writes it, in four bytes.
    let text = fs::read_to_string(bench.path(FROM_A)).unwrap();
    let first: f32 = text
        .lines()
        .skip_while(|line| !line.starts_with("0,"))
        .find_map(|line| line.split_once(',')?.1.parse().ok())
        .unwrap();
    let found = f32::from_le_bytes(body[..4].try_into().unwrap());
    assert!(
        (found - first).abs() <= f32::EPSILON * first.abs(),
        "{found} {first}"
    );
    assert_eq!(body.len() % 8, 0);
    // Nothing was written.
    assert_eq!(bench.names("."), before);
}

#[test]
fn only_this_machine_s_own_address_and_only_reading_is_answered() {
    let bench = Bench::new();
    let served = Served::new(&bench, ".");
    for (method, path, host, status) in [
        ("GET", "/", "attacker.example", 403),
        ("GET", "/levels/0", "127.0.0.1", 403),
        ("POST", "/", "127.0.0.1", 405),
        ("GET", "/levels/99", "127.0.0.1", 404),
        ("GET", "/levels/-1", "127.0.0.1", 404),
        ("GET", "/../Cargo.toml", "127.0.0.1", 404),
        ("GET", "/fibres/..%2f..%2fetc.html", "127.0.0.1", 404),
    ] {
        let host = if status == 403 {
            host.to_owned()
        } else {
            format!("{host}:{}", served.port)
        };
        let (head, _) = served.ask(method, path, &host);
        assert!(
            head.starts_with(&format!("HTTP/1.1 {status} ")),
            "{method} {path} {host}: {head}"
        );
    }
}

#[test]
fn a_pack_is_served_from_its_raw_traces() {
    let bench = Bench::new();
    let ran = bench.run(&[
        "link",
        FROM_A,
        FROM_B,
        "--out",
        "results",
        "--raw-traces",
        "xz",
    ]);
    assert_eq!(ran.code, 0);
    let served = Served::new(&bench, "results");
    let (head, body) = served.get("/");
    assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
    assert!(String::from_utf8(body).unwrap().contains("31180."));
}

#[test]
fn a_folder_without_a_link_is_named() {
    let bench = Bench::new();
    fs::create_dir(bench.path("empty")).unwrap();
    let said = bench.fails(&["view", "empty"]);
    assert!(
        said.contains("empty holds no two traces that are a link"),
        "{said}"
    );
}
