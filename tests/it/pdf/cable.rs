//! A whole cable written by hand: invented names, drawn losses, known verdicts.

use bothends::both_ways::{EventKind, Link, Profiles, Verdict};
use bothends::cable::{
    CableLink, CableResult, Cell, Fibre, Finding, FindingKind, Joint, JointKind, JointStatistics,
    Matrix, NamedBy, RedoEntry, Rules, Skipped, Source, Visit, VisitStep,
};
use bothends::pack::project::{Party, Project};
use bothends::pack::wording::Wording;
use bothends::pack::{Content, PackError, PackLink, PowerReading};
use bothends::units::{Length, Loss, Measured, NotMeasured, Position, Wavelength};
use bothends::verdict::{Limits, LossLimit, judge};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::links;

/// What a fixture differs in.
#[derive(Debug, Clone)]
pub(crate) struct Shape {
    pub(crate) fibres: usize,
    pub(crate) wavelengths: Vec<f64>,
    pub(crate) is_judged: bool,
    /// Put before every fibre's number.
    pub(crate) prefix: String,
    pub(crate) joint: String,
    pub(crate) from: String,
    pub(crate) to: String,
    pub(crate) title: String,
}

impl Default for Shape {
    fn default() -> Self {
        Self {
            fibres: 24,
            wavelengths: vec![1310.0, 1550.0],
            is_judged: true,
            prefix: String::new(),
            joint: "closure".to_owned(),
            from: "Harrow Lane".to_owned(),
            to: "Mill Bridge".to_owned(),
            title: "Hollow valley ring, second stage".to_owned(),
        }
    }
}

/// Everything that a [`Content`] borrows.
#[derive(Debug, Clone)]
pub(crate) struct Made {
    pub(crate) project: Project,
    pub(crate) wording: Wording,
    pub(crate) limits: Option<Limits>,
    pub(crate) links: Vec<PackLink>,
    pub(crate) cable: Option<CableResult>,
    pub(crate) profiles: Profiles,
    pub(crate) report_time: Option<String>,
}

impl Made {
    /// Calls with the content.
    pub(crate) fn with<R>(&self, then: impl FnOnce(&Content<'_>) -> R) -> R {
        let profiles = |_: usize| Ok::<_, PackError>(self.profiles.clone());
        then(&Content {
            program: "bothends 0.1.0",
            report_time: self.report_time.as_deref(),
            project: &self.project,
            wording: &self.wording,
            limits: self.limits.as_ref(),
            coverage: 1.645,
            links: &self.links,
            cable: self.cable.as_ref(),
            warnings: &[],
            profiles: &profiles,
        })
    }
}

/// A cable of the shape; the same shape gives the same cable.
pub(crate) fn cable(shape: &Shape) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let (template, profiles) = links::country_link();
    let limits = Limits {
        name: "contract of the example".to_owned(),
        splice_loss: Some(LossLimit {
            max: Loss::from_db(0.15),
            source: "contract value".to_owned(),
        }),
        connector_loss: Some(LossLimit {
            max: Loss::from_db(0.5),
            source: "contract value".to_owned(),
        }),
        ..Limits::default()
    };
    let fibres: Vec<Fibre> = (0..shape.fibres)
        .map(|index| Fibre {
            name: format!("{}{:03}", shape.prefix, index + 1),
            tube: Some(format!("tube {}", index / 12 + 1)),
            colour: Some(["blue", "orange", "green", "brown"][index % 4].to_owned()),
        })
        .collect();
    let mut packed = Vec::new();
    let mut cable_links = Vec::new();
    for (fibre, named) in fibres.iter().enumerate() {
        let shared: Vec<f64> = template
            .events
            .iter()
            .map(|event| drawn(event.kind, &mut rng))
            .collect();
        for (wavelength, &nm) in shape.wavelengths.iter().enumerate() {
            let mut link = altered(&template, shape, &shared, &mut rng);
            link.fibre = Some(named.name.clone());
            link.wavelength = Wavelength::from_nm(nm);
            let judged = shape.is_judged.then(|| judge(&mut link, &limits, 1.645));
            let mut provenance = links::provenance();
            provenance.judged.clone_from(&judged);
            provenance.a.file = format!("{:03}_{nm}_ab.txt", fibre + 1);
            provenance.b.file = format!("{:03}_{nm}_ba.txt", fibre + 1);
            let source = |file: &bothends::report::SourceFile| Source {
                file: file.file.clone(),
                sha256: file.sha256.clone(),
                part: None,
            };
            cable_links.push(CableLink {
                fibre,
                wavelength,
                link: link.clone(),
                a: source(&provenance.a),
                b: source(&provenance.b),
                joint_of_event: (0..link.events.len()).map(Some).collect(),
                judged,
            });
            packed.push(PackLink {
                stem: format!("HL-204-{:03}-{nm}", fibre + 1),
                page: format!("{:03}", fibre + 1),
                provenance,
                power: if fibre == 0 {
                    vec![PowerReading {
                        direction: "A to B".to_owned(),
                        loss: measured(7.31, 0.08),
                    }]
                } else {
                    Vec::new()
                },
                link,
            });
        }
    }
    let cable = result(shape, &template, fibres, cable_links);
    Made {
        project: project(shape),
        wording: Wording::default(),
        limits: shape.is_judged.then_some(limits),
        links: packed,
        cable: Some(cable),
        profiles,
        report_time: Some("2026-03-16T09:00:00+01:00".to_owned()),
    }
}

fn measured(value_db: f64, std_error_db: f64) -> Measured<Loss> {
    Measured {
        value: Loss::from_db(value_db),
        std_error: Some(Loss::from_db(std_error_db)),
    }
}

fn drawn(kind: EventKind, rng: &mut ChaCha8Rng) -> f64 {
    match kind {
        EventKind::Connector => rng.random_range(0.15..0.42),
        _ if rng.random_range(0..60) == 0 => rng.random_range(0.16..0.4),
        _ => rng.random_range(0.0..0.12),
    }
}

fn altered(template: &Link, shape: &Shape, shared: &[f64], rng: &mut ChaCha8Rng) -> Link {
    let mut link = template.clone();
    link.cable = Some("HL-204".to_owned());
    link.from = Some(shape.from.clone());
    link.to = Some(shape.to.clone());
    for header in [&mut link.a.header, &mut link.b.header] {
        header.instrument = Some("Field unit 3".to_owned());
        header.serial = Some("0042".to_owned());
        header.calibrated_until = Some("2026-11-30".to_owned());
        header.operator = Some("R. Ashdown".to_owned());
    }
    for (event, shared_db) in link.events.iter_mut().zip(shared) {
        let loss_db = shared_db + rng.random_range(-0.01..0.01);
        let step_db = rng.random_range(-0.1..0.1);
        event.joint = (event.kind == EventKind::Splice)
            .then(|| format!("{} {}", shape.joint, event.number - 1));
        if rng.random_range(0..150) == 0 {
            event.loss = Err(NotMeasured::because(
                "B does not reach this far: the trace is lost in noise",
            ));
            event.loss_b_to_a = event.loss.clone();
            continue;
        }
        event.loss = Ok(measured(loss_db, 0.004));
        event.loss_a_to_b = Ok(measured(loss_db + step_db, 0.005));
        event.loss_b_to_a = Ok(measured(loss_db - step_db, 0.006));
    }
    link
}

fn result(
    shape: &Shape,
    template: &Link,
    fibres: Vec<Fibre>,
    links: Vec<CableLink>,
) -> CableResult {
    let wavelengths: Vec<Wavelength> = shape
        .wavelengths
        .iter()
        .map(|&nm| Wavelength::from_nm(nm))
        .collect();
    let joints: Vec<Joint> = template
        .events
        .iter()
        .map(|event| Joint {
            name: match event.number {
                1 => "end A".to_owned(),
                number if number == template.events.len() => "end B".to_owned(),
                number => format!("{} {}", shape.joint, number - 1),
            },
            named_by: NamedBy::Plan,
            kind: match event.number {
                1 => JointKind::EndA,
                number if number == template.events.len() => JointKind::EndB,
                _ => JointKind::Joint,
            },
            position: event.position,
            scatter: Some(Length::from_m(1.5)),
            chainage: Some(Length::from_m(event.position.value.m() * 0.98)),
            seen_in: fibres.len(),
            statistics: wavelengths
                .iter()
                .map(|&wavelength| JointStatistics {
                    mean_judged: None,
                    wavelength,
                    measured: fibres.len(),
                    mean: None,
                    max: None,
                    std: None,
                    verdict: Verdict::NotJudged,
                })
                .collect(),
        })
        .collect();
    let mut cells = Vec::new();
    for fibre in 0..fibres.len() {
        for joint in 0..joints.len() {
            for wavelength in 0..wavelengths.len() {
                let index = fibre * wavelengths.len() + wavelength;
                let event = &links[index].link.events[joint];
                cells.push(Cell {
                    loss: event.loss.clone(),
                    loss_a_to_b: event.loss_a_to_b.clone(),
                    loss_b_to_a: event.loss_b_to_a.clone(),
                    backscatter_step: event.backscatter_step.clone(),
                    position: Some(event.position.value),
                    seen: true,
                    verdict: event.verdict,
                    limit: event.limit,
                    source: Some((index, joint)),
                });
            }
        }
    }
    let (redo, visits, findings) = work(&links, &joints, &fibres);
    CableResult {
        name: Some("HL-204".to_owned()),
        from: Some(shape.from.clone()),
        to: Some(shape.to.clone()),
        length: Some(Length::from_m(31_183.6)),
        matrix: Matrix::from_cells(joints.len(), wavelengths.len(), cells),
        fibres,
        wavelengths,
        joints,
        findings,
        redo,
        visits,
        links,
        skipped: vec![Skipped {
            file: "old/019_1550_ab.txt".to_owned(),
            reason: "no trace from B names this fibre".to_owned(),
        }],
        calibration: None,
        rules: Rules {
            limits: shape
                .is_judged
                .then(|| "contract of the example".to_owned()),
            coverage: 1.645,
            bad_splice: Loss::from_db(0.15),
            bad_splice_is_default: true,
            false_finding_chance: 0.01,
        },
        warnings: Vec::new(),
        untaken: bothends::cable::Untaken::default(),
    }
}

/// The failed splices as redo entries, one visit for each closure.
fn work(
    links: &[CableLink],
    joints: &[Joint],
    fibres: &[Fibre],
) -> (Vec<RedoEntry>, Vec<Visit>, Vec<Finding>) {
    let mut redo: Vec<RedoEntry> = Vec::new();
    let mut findings = Vec::new();
    for (joint, place) in joints.iter().enumerate().take(joints.len() - 1).skip(1) {
        for link in links {
            let event = &link.link.events[joint];
            let is_known = redo
                .iter()
                .any(|entry| (entry.fibre, entry.joint) == (link.fibre, joint));
            if event.verdict != Verdict::Fail || is_known {
                continue;
            }
            let loss = *event.loss.as_ref().unwrap();
            redo.push(RedoEntry {
                rank: redo.len() + 1,
                fibre: link.fibre,
                joint,
                wavelength: link.link.wavelength,
                position: event.position.value,
                chainage_from_a: place.chainage,
                chainage_from_b: place
                    .chainage
                    .map(|from_a| Length::from_m(30_560.0 - from_a.m())),
                loss,
                forced: Some(measured(0.01, 0.003)),
                workmanship: Some(measured(loss.value.db() - 0.01, 0.005)),
                expected_after: Some(Loss::from_db(0.05)),
                expected_from: "forced share and the cable's usual workmanship".to_owned(),
                link_verdict_after: Verdict::Pass,
            });
            let name = &fibres[link.fibre].name;
            findings.push(Finding {
                kind: FindingKind::BadJoint,
                fibres: vec![name.clone()],
                joint: Some(joint),
                position: Some(Position::from_m(event.position.value.m())),
                wavelength: Some(link.link.wavelength),
                loss: Some(loss),
                message: format!(
                    "Fibre {name} loses {:.2} dB here, from both ends. Splice it again.",
                    loss.value.db()
                ),
                evidence: Vec::new(),
            });
        }
    }
    let visits = (0..joints.len())
        .filter_map(|joint| {
            let entries: Vec<usize> = (0..redo.len())
                .filter(|&entry| redo[entry].joint == joint)
                .collect();
            let steps = vec![VisitStep {
                step: "fusion and sleeve".to_owned(),
                times: entries.len(),
                seconds: 55.0,
                given: false,
            }];
            (!entries.is_empty()).then(|| Visit {
                joint,
                seconds: 55.0 * entries.len() as f64,
                entries,
                steps,
                not_counted: vec!["opening and closing the closure".to_owned()],
            })
        })
        .collect();
    (redo, visits, findings)
}

fn project(shape: &Shape) -> Project {
    let party = |name: &str, address: &str, contact: &str| Party {
        name: Some(name.to_owned()),
        address: Some(address.to_owned()),
        contact: Some(contact.to_owned()),
    };
    Project {
        title: Some(shape.title.clone()),
        number: Some("HV-2026-017".to_owned()),
        site: Some(format!("{} to {}", shape.from, shape.to)),
        note: Some("Measured after the second joint round.\nOne trace a fibre and end.".to_owned()),
        client: party(
            "Hollow Valley Water Board",
            "2 Sluice Road\nMill Bridge",
            "engineer@hollow-valley.example",
        ),
        contractor: party(
            "Ashdown and Fell Jointing",
            "Unit 4, Old Weighbridge",
            "R. Ashdown",
        ),
        tester: Party::default(),
        details: vec![("Duct".to_owned(), "D4, west side".to_owned())],
        logo_png: None,
    }
}
