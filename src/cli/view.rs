//! `bothends view`: the analysis in pages on this machine.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

use clap::Args;
use rayon::prelude::*;
use tiny_http::{Header, Response, Server};

use crate::both_ways::Profiles;
use crate::pack::manifest::FILE_NAME;
use crate::pack::project::Project;
use crate::pack::setup::Again;
use crate::pack::site::{Answer, Asked, answer};
use crate::pack::wording::Wording;
use crate::pack::{Content, Names, PackError, PackLink};
use crate::report::Provenance;
use crate::verdict::DEFAULT_COVERAGE;
use crate::warning::Warning;

use super::output::{print, tell};
use super::pairs::{Pair, in_folder, in_pack};
use super::{CommandError, Outcome, PROGRAM};

/// Threads that answer: a page that is being measured does not hold up the others.
const ANSWERING: usize = 2;

/// Arguments of `bothends view`.
#[derive(Debug, Clone, Args)]
pub(super) struct ViewArgs {
    /// Folder of traces, or a handover pack
    #[arg(default_value = ".")]
    folder: PathBuf,
    /// Port on this machine; without it one that is free
    #[arg(long, value_name = "PORT", default_value_t = 0)]
    port: u16,
}

/// Measures what is in the folder, then serves until it is ended.
pub(super) fn run(args: &ViewArgs) -> Result<Outcome, CommandError> {
    if !args.folder.is_dir() {
        return Err(format!("{} is no folder", args.folder.display()).into());
    }
    let (pairs, mut doubts) = if args.folder.join(FILE_NAME).is_file() {
        in_pack(&args.folder)?
    } else {
        in_folder(&args.folder)?
    };
    tell(&format!("measuring {} links", pairs.len()));
    let measured: Vec<Result<Again, String>> = pairs.par_iter().map(Pair::measure).collect();
    let mut kept = Vec::new();
    let mut links = Vec::new();
    let (mut stems, mut pages) = (Names::default(), Pages::default());
    for (pair, again) in pairs.iter().zip(measured) {
        match again {
            Ok(again) => {
                links.push(entry(pair, again, &mut stems, &mut pages));
                kept.push(pair);
            }
            Err(why) => doubts.push(why),
        }
    }
    for doubt in &doubts {
        tell(doubt);
    }
    if links.is_empty() {
        return Err(format!(
            "{} holds no two traces that are a link (fibre, wavelength, and each end once)",
            args.folder.display()
        )
        .into());
    }
    let warnings: Vec<Warning> = doubts
        .into_iter()
        .map(|doubt| Warning::new("not shown", doubt))
        .collect();
    let (project, wording) = (Project::default(), Wording::default());
    let profiles = |index: usize| -> Result<Profiles, PackError> {
        let again = kept
            .get(index)
            .ok_or_else(|| "there is no such link".to_owned())
            .and_then(|pair| pair.measure());
        again
            .map(|again| again.combined.profiles)
            .map_err(|why| PackError::Profiles {
                stem: index.to_string(),
                source: why.into(),
            })
    };
    let content = Content {
        program: PROGRAM,
        report_time: None,
        project: &project,
        wording: &wording,
        limits: None,
        coverage: DEFAULT_COVERAGE,
        links: &links,
        cable: None,
        warnings: &warnings,
        profiles: &profiles,
    };
    serve(&content, args.port)
}

/// Cable and fibre as the headers name them.
type Named = (Option<String>, Option<String>);

/// The page that each fibre has: links of one fibre share it.
#[derive(Debug, Default)]
struct Pages {
    names: Names,
    given: Vec<(Named, String)>,
}

impl Pages {
    fn of(&mut self, cable: Option<&String>, fibre: Option<&String>, wanted: &str) -> String {
        let key = (cable.cloned(), fibre.cloned());
        if fibre.is_some()
            && let Some((_, page)) = self.given.iter().find(|(given, _)| *given == key)
        {
            return page.clone();
        }
        let page = self.names.unique(wanted);
        self.given.push((key, page.clone()));
        page
    }
}

fn entry(pair: &Pair, again: Again, stems: &mut Names, pages: &mut Pages) -> PackLink {
    let link = again.combined.link;
    let parts = [link.cable.as_deref(), link.fibre.as_deref()];
    let mut name = parts.into_iter().flatten().collect::<Vec<_>>().join("-");
    if name.is_empty() {
        name.clone_from(&pair.a.file);
    }
    PackLink {
        stem: stems.unique(&format!("{name}-{}", link.wavelength.nm())),
        page: pages.of(link.cable.as_ref(), link.fibre.as_ref(), &name),
        provenance: Provenance {
            program: PROGRAM.to_owned(),
            a: pair.a.clone(),
            b: pair.b.clone(),
            report_time: None,
            judged: again.judged,
        },
        link,
        power: Vec::new(),
    }
}

/// Serves on this machine's own address until the process ends.
fn serve(content: &Content<'_>, port: u16) -> Result<Outcome, CommandError> {
    let server = Server::http(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
        .map_err(|error| format!("cannot serve on port {port} of this machine: {error}"))?;
    let port = server
        .server_addr()
        .to_ip()
        .map_or(port, |address| address.port());
    print(&format!("http://127.0.0.1:{port}/\n"))?;
    tell("open that address in a browser; Ctrl-C ends it");
    let headers: Vec<Header> = Answer::headers()
        .into_iter()
        .filter_map(|(name, value)| Header::from_bytes(name.as_bytes(), value.as_bytes()).ok())
        .collect();
    std::thread::scope(|threads| {
        for _ in 0..ANSWERING {
            threads.spawn(|| {
                while let Ok(request) = server.recv() {
                    let host = request
                        .headers()
                        .iter()
                        .find(|header| header.field.equiv("Host"))
                        .map(|header| header.value.as_str().to_owned());
                    let answer = answer(
                        content,
                        port,
                        Asked {
                            method: request.method().as_str(),
                            path: request.url(),
                            host: host.as_deref(),
                        },
                    );
                    let mut response = Response::from_data(answer.body)
                        .with_chunked_threshold(usize::MAX)
                        .with_status_code(answer.status);
                    if let Ok(kind) = Header::from_bytes("Content-Type", answer.kind) {
                        response.add_header(kind);
                    }
                    for header in &headers {
                        response.add_header(header.clone());
                    }
                    // A browser that went away is no fault.
                    let _ = request.respond(response);
                }
            });
        }
    });
    Ok(Outcome::Done)
}
