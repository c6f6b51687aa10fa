//! Reports of hand-written links: form by snapshot, rules by assertion.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use bothends::both_ways::{EventKind, Verdict};
use bothends::report::findings::{Finding, ReadFrom, noteworthy};
use bothends::report::json::{self, Layout, LinkReport, TraceReport};
use bothends::report::table::{self, TableSettings};
use bothends::report::{SourceFile, TraceProvenance, csv, schema};
use bothends::units::{BackscatterCoefficient, Loss, Measured};
use bothends::warning::Warning;
use serde_json::Value;

use crate::links;

const WIDE: TableSettings = TableSettings {
    width: 150,
    colour: false,
};

#[test]
fn table_of_a_country_link() {
    insta::assert_snapshot!(table::link(&links::country_link().0, None, &WIDE));
}

#[test]
fn table_of_a_building_link_in_a_narrow_terminal() {
    let narrow = TableSettings {
        width: 90,
        colour: false,
    };
    insta::assert_snapshot!(table::link(&links::building_link().0, None, &narrow));
}

#[test]
fn table_of_a_broken_fibre_names_each_reason_once() {
    let text = table::link(&links::broken_link().0, None, &WIDE);
    assert_eq!(
        text.matches("interrupted between this place").count(),
        1,
        "{text}"
    );
    insta::assert_snapshot!(text);
}

#[test]
fn table_of_one_direction_says_what_it_cannot_know() {
    let (trace, one_way) = links::one_direction();
    insta::assert_snapshot!(table::trace(&trace, &one_way, &TableSettings::default()));
}

#[test]
fn json_of_a_building_link() {
    let text = json::link(
        &links::building_link().0,
        &links::provenance(),
        Layout::Indented,
    )
    .unwrap();
    insta::assert_snapshot!(text);
}

#[test]
fn json_of_one_direction() {
    let (trace, one_way) = links::one_direction();
    let text = json::trace(&trace, &one_way, &trace_provenance(), Layout::Indented).unwrap();
    insta::assert_snapshot!(text);
}

#[test]
fn csv_of_a_building_link() {
    let (link, _) = links::building_link();
    insta::assert_snapshot!(csv::events(&link).unwrap());
    insta::assert_snapshot!(csv::sections(&link).unwrap());
}

#[test]
fn no_line_of_a_table_is_wider_than_asked() {
    for width in [70, 80, 100, 128, 160] {
        for (link, _) in [
            links::country_link(),
            links::crowded_link(),
            links::broken_link(),
            links::empty_link(),
        ] {
            let settings = TableSettings {
                width,
                colour: false,
            };
            for line in table::link(&link, None, &settings).lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
        }
    }
}

#[test]
fn colour_changes_nothing_but_colour() {
    let (mut link, _) = links::country_link();
    link.events[4].verdict = Verdict::Fail;
    link.events[4].limit = Some(Loss::from_db(0.15));
    link.verdict = Verdict::Fail;
    let plain = table::link(&link, None, &WIDE);
    let coloured = table::link(
        &link,
        None,
        &TableSettings {
            colour: true,
            ..WIDE
        },
    );
    assert!(coloured.contains("\u{1b}[31;1mFAIL\u{1b}[0m at 0.15"));
    let stripped = anstream::adapter::strip_str(&coloured).to_string();
    assert_eq!(stripped, plain);
}

#[test]
fn a_name_cannot_command_the_terminal() {
    let (mut link, _) = links::country_link();
    link.cable = Some("HL\u{1b}]0;owned\u{7}-204\u{9b}2J".to_owned());
    link.events[3].joint = Some("\u{1b}[2Kclosure\r\n9\u{e246}".to_owned());
    link.warnings
        .push(Warning::new("odd name", "file \u{1b}[31mred"));
    let text = table::link(&link, None, &WIDE);
    assert!(
        text.chars().all(|c| c == '\n' || !c.is_control()),
        "{text:?}"
    );
}

#[test]
fn the_bad_joint_and_the_gains_that_are_none_are_found() {
    let (link, _) = links::country_link();
    let found = noteworthy(&link);
    assert!(matches!(found[0].finding, Finding::LargestLoss { .. }));
    assert_eq!(found[0].event.number, 5);
    let gains: Vec<(usize, ReadFrom)> = found
        .iter()
        .filter_map(|noteworthy| match noteworthy.finding {
            Finding::GainOneWay { from, .. } => Some((noteworthy.event.number, from)),
            _ => None,
        })
        .collect();
    // Readings written down in the fixture: 3 reads 0.050 − 0.170 from A; 4 and 7 read
    // 0.022 − 0.045 and 0.064 − 0.149 from B.
    assert_eq!(
        gains,
        [(3, ReadFrom::A), (4, ReadFrom::B), (7, ReadFrom::B)]
    );
}

#[test]
fn a_largest_loss_within_the_error_of_the_next_says_so() {
    let (mut link, _) = links::country_link();
    link.events[8].loss = Ok(Measured {
        value: Loss::from_db(0.309),
        std_error: Some(Loss::from_db(0.004)),
    });
    // 0.312 − 0.309 is within 2·√(0.004² + 0.004²) = 0.011.
    let sentence = noteworthy(&link)[0].sentence();
    assert!(
        sentence.ends_with("told apart from number 9."),
        "{sentence}"
    );
}

#[test]
fn a_missing_value_is_null_and_its_reason_is_given() {
    let (link, _) = links::broken_link();
    let report = LinkReport::new(&link, &links::provenance());
    let text = json::written(&report, Layout::OneLine).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    assert!(value["link"]["length_m"].is_null());
    assert!(value["events"][0]["loss_db"].is_null());
    assert_eq!(value["events"][0]["not_measured"][0]["quantity"], "loss_db");
    assert!(value["events"][5]["position_m"].is_null());
    assert_eq!(value["events"][5]["position_from_b_m"], 18_700.0);
    assert!(value["events"][0].get("position_from_b_m").is_none());
    assert!(!text.contains("NaN"));
}

#[test]
fn keys_stand_in_the_promised_order() {
    let (link, _) = links::country_link();
    let text = json::link(&link, &links::provenance(), Layout::OneLine).unwrap();
    let keys = "number kind position_m position_std_error_m end_m reflective kind_from loss_db \
                loss_std_error_db loss_a_to_b_db loss_a_to_b_std_error_db loss_b_to_a_db \
                loss_b_to_a_std_error_db backscatter_step_db backscatter_step_std_error_db \
                reflectance_a_db reflectance_a_is_bound reflectance_b_db reflectance_b_is_bound \
                seen_from joint not_measured limit_db conformance verdict notes";
    let events = text.split("\"events\":").nth(1).unwrap();
    let mut from = 0;
    for key in keys.split_whitespace() {
        let place = events.find(&format!("\"{key}\":")).unwrap();
        assert!(place >= from, "{key} stands too early");
        from = place;
    }
}

#[test]
fn what_is_printed_reads_back_to_the_same() {
    let report = LinkReport::new(&links::country_link().0, &links::provenance());
    let text = json::written(&report, Layout::Indented).unwrap();
    assert_eq!(serde_json::from_str::<LinkReport>(&text).unwrap(), report);
}

#[test]
fn objects_agree_with_their_schema() {
    let link_schema: Value = serde_json::from_str(&schema::link().unwrap()).unwrap();
    for (link, _) in [
        links::country_link(),
        links::building_link(),
        links::broken_link(),
        links::empty_link(),
    ] {
        let value = serde_json::to_value(LinkReport::new(&link, &links::provenance())).unwrap();
        assert_eq!(disagreements(&value, &link_schema, &link_schema), [""; 0]);
    }
    let trace_schema: Value = serde_json::from_str(&schema::trace().unwrap()).unwrap();
    let (trace, one_way) = links::one_direction();
    let value =
        serde_json::to_value(TraceReport::new(&trace, &one_way, &trace_provenance())).unwrap();
    assert_eq!(disagreements(&value, &trace_schema, &trace_schema), [""; 0]);
}

#[test]
fn the_schema_refuses_a_wrong_kind_a_missing_key_and_a_strange_one() {
    let schema: Value = serde_json::from_str(&schema::link().unwrap()).unwrap();
    let good = serde_json::to_value(LinkReport::new(
        &links::country_link().0,
        &links::provenance(),
    ))
    .unwrap();
    let spoilt: [fn(&mut Value); 5] = [
        |value| value["events"][0]["kind"] = "weld".into(),
        |value| {
            value["link"].as_object_mut().unwrap().remove("length_m");
        },
        |value| value["link"]["colour"] = "blue".into(),
        |value| value["events"][1]["loss_db"] = "0.1".into(),
        |value| value["schema"] = "bothends.link/2".into(),
    ];
    for (index, spoil) in spoilt.into_iter().enumerate() {
        let mut value = good.clone();
        spoil(&mut value);
        assert!(
            !disagreements(&value, &schema, &schema).is_empty(),
            "case {index}"
        );
    }
}

#[test]
fn a_connector_does_not_hide_the_bad_splice() {
    let (link, _) = links::country_link();
    let connector = links::numbered(&link, 1);
    let splice = links::numbered(&link, 5);
    assert_eq!(connector.kind, EventKind::Connector);
    assert!(connector.loss.as_ref().unwrap().value > splice.loss.as_ref().unwrap().value);
    assert_eq!(noteworthy(&link)[0].event.number, 5);
}

/// Places where a value breaks a schema made of the keywords our schemas use.
fn disagreements(value: &Value, schema: &Value, root: &Value) -> Vec<String> {
    let mut found = Vec::new();
    if let Some(reference) = schema.get("$ref").and_then(Value::as_str) {
        let target = root.pointer(reference.trim_start_matches('#')).unwrap();
        found.extend(disagreements(value, target, root));
    }
    if let Some(any) = schema.get("anyOf").and_then(Value::as_array)
        && !any
            .iter()
            .any(|schema| disagreements(value, schema, root).is_empty())
    {
        found.push(format!("{value} fits none of {any:?}"));
    }
    if let Some(constant) = schema.get("const")
        && constant != value
    {
        found.push(format!("{value} is not {constant}"));
    }
    if let Some(words) = schema.get("enum").and_then(Value::as_array)
        && !words.contains(value)
    {
        found.push(format!("{value} is none of {words:?}"));
    }
    let types: Vec<&str> = match schema.get("type") {
        Some(Value::String(one)) => vec![one],
        Some(Value::Array(many)) => many.iter().map(|one| one.as_str().unwrap()).collect(),
        _ => Vec::new(),
    };
    let fits = |name: &str| match name {
        "null" => value.is_null(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64(),
        "boolean" => value.is_boolean(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        _ => false,
    };
    if !types.is_empty() && !types.iter().any(|name| fits(name)) {
        found.push(format!("{value} is none of the types {types:?}"));
    }
    if let (Some(items), Some(values)) = (schema.get("items"), value.as_array()) {
        for value in values {
            found.extend(disagreements(value, items, root));
        }
    }
    if let Some(object) = value.as_object() {
        let properties = schema.get("properties").and_then(Value::as_object);
        for key in schema
            .get("required")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
        {
            if !object.contains_key(key.as_str().unwrap()) {
                found.push(format!("{key} is missing"));
            }
        }
        for (key, value) in object {
            match properties.and_then(|properties| properties.get(key)) {
                Some(schema) => found.extend(disagreements(value, schema, root)),
                None if schema.get("additionalProperties") == Some(&Value::Bool(false)) => {
                    found.push(format!("{key} is strange"));
                }
                None => {}
            }
        }
    }
    found
}

fn trace_provenance() -> TraceProvenance {
    TraceProvenance {
        program: "bothends 0.1.0".to_owned(),
        file: SourceFile {
            file: "017_1550_ab.txt".to_owned(),
            sha256: "0a".repeat(32),
        },
        backscatter: Some(BackscatterCoefficient::from_db(-81.5)),
        backscatter_is_default: true,
        false_events_per_1000_km: Some(1.0),
        report_time: None,
    }
}

#[test]
fn a_value_that_is_no_number_is_missing_with_a_reason() {
    let (link, _) = links::hostile_link();
    let text = json::link(&link, &links::provenance(), Layout::OneLine).unwrap();
    assert!(!text.contains("NaN") && !text.contains("inf"));
    let value: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(
        value["events"][3]["not_measured"][0]["reason"],
        "the calculation gave no number"
    );
    assert!(value["events"][5]["position_m"].is_null());
    let table = table::link(&link, None, &WIDE);
    assert!(table.contains("the calculation gave no number"));
    assert!(!table.contains("NaN") && !table.contains("inf"), "{table}");
}

#[test]
fn a_group_with_a_faint_reflection_stays_among_the_splices() {
    let (mut link, _) = links::country_link();
    link.events[4].kind = EventKind::Group;
    link.events[4].reflective = true;
    link.events[4].reflectance_a = Some(links::reflectance(-74.2));
    assert_eq!(noteworthy(&link)[0].event.number, 5);
    // −41 dB is a connector: the group is then ranked among those.
    link.events[4].reflectance_a = Some(links::reflectance(-41.0));
    assert_eq!(noteworthy(&link)[0].event.number, 9);
}

#[test]
fn a_loss_below_zero_two_way_is_called_doubtful() {
    let (mut link, _) = links::country_link();
    link.events[3].loss = Ok(Measured {
        value: Loss::from_db(-0.06),
        std_error: Some(Loss::from_db(0.004)),
    });
    let found = noteworthy(&link);
    let doubtful = found
        .iter()
        .find(|noteworthy| matches!(noteworthy.finding, Finding::GainBothWays { .. }))
        .unwrap();
    assert_eq!(doubtful.event.number, 4);
    assert!(doubtful.sentence().contains("a joint cannot amplify"));
}
