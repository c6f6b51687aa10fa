use super::*;

fn read(lines: &str, separator: Separator) -> Result<Settings, ParseError> {
    let context = Context {
        separator,
        vocabulary: &Vocabulary::default(),
        decimal: Some(DecimalMark::Point),
    };
    let mut settings = Settings::default();
    for line in lines_from(lines, 0, 1) {
        settings.take(line, context)?;
    }
    settings.finish();
    Ok(settings)
}

#[test]
fn every_way_to_write_a_key_and_value_is_read() {
    for line in [
        "# pulse width: 100 ns",
        "Pulse width: 100 ns",
        "pulse=0.1 us",
        "PULSE WIDTH;100 ns",
        "Pulse width (ns): 100",
        "pulse_width_ns = 100",
        "Pulse width;100;ns",
        "Pulse;100 ns;",
        "\"Pulse width\";\"100 ns\"",
        "// pulse: 100ns",
        "Pulse width:;100 ns",
        "pulse width 100 ns",
        "; pulse width: 100 ns",
    ] {
        let found = read(line, Separator::Semicolon).unwrap();
        assert_eq!(
            found.header.pulse_width,
            Some(PulseWidth::from_ns(100.0)),
            "{line}"
        );
    }
}

#[test]
fn several_settings_on_one_line_are_several() {
    for line in [
        "Wavelength=1550nm;Pulse=100ns;IOR=1.4682",
        "Wavelength: 1550 nm, Pulse width: 100 ns, Group index: 1.4682",
        "Wavelength\t1550 nm\tPulse width\t100 ns\tGroup index\t1.4682",
        "# wavelength: 1550 nm; pulse width: 100 ns; group index: 1.4682",
    ] {
        let header = read(line, Separator::Semicolon).unwrap().header;
        assert_eq!(
            header.pulse_width,
            Some(PulseWidth::from_ns(100.0)),
            "{line}"
        );
        assert_eq!(
            header.group_index,
            Some(GroupIndex::from_ratio(1.4682)),
            "{line}"
        );
    }
    let header = read("From;Harrow Lane;To;Mill Bridge", Separator::Semicolon)
        .unwrap()
        .header;
    assert_eq!(header.to.as_deref(), Some("Mill Bridge"));
    let header = read("# note: wet; to: be done", Separator::Comma)
        .unwrap()
        .header;
    assert_eq!(
        (header.note.as_deref(), header.to),
        (Some("wet; to: be done"), None)
    );
}

#[test]
fn unknown_keys_and_texts_are_kept() {
    let found = read(
        "# Filter: on\nBackscatter listing\n# time: 10:22\n# date: 14 March",
        Separator::Comma,
    )
    .unwrap();
    assert_eq!(found.header.other, [("Filter".to_owned(), "on".to_owned())]);
    assert_eq!(
        found.notes,
        [Note {
            line: 2,
            text: "Backscatter listing".to_owned()
        }]
    );
    assert_eq!(found.header.measured.as_deref(), Some("14 March 10:22"));
}

#[test]
fn a_setting_without_its_unit_is_refused_at_its_place() {
    let error = read("# fibre: 1\n# pulse width: 100", Separator::Comma).unwrap_err();
    assert_eq!(
        error.to_string(),
        "line 2, column 16: pulse width is \"100\" without a unit; wanted a time from 0.01 ns to \
         200 us, such as `100 ns`"
    );
}

#[test]
fn a_setting_given_twice_must_agree() {
    assert!(
        read(
            "# wavelength: 1550 nm\n# Wavelength: 1550 nm",
            Separator::Comma
        )
        .is_ok()
    );
    let error = read(
        "# wavelength: 1550 nm\n# wavelength: 1310 nm",
        Separator::Comma,
    )
    .unwrap_err();
    assert!(matches!(
        error.kind,
        ParseErrorKind::SettingTwice { before_line: 1, .. }
    ));
}

#[test]
fn no_cord_is_zero_and_a_dash_is_unknown() {
    let found = read("# launch cord: none\n# tail cord: -", Separator::Comma).unwrap();
    assert_eq!(found.header.launch_cord, Some(Length::from_m(0.0)));
    assert_eq!(found.header.tail_cord, None);
}
