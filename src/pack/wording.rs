//! The fixed texts of a pack: English built in, any of them replaceable.

use std::collections::BTreeMap;

use crate::plot::{Phrase, Phrases};
use crate::report::fixed_texts::{filled, fixed_texts};

/// The cautions that every form of a pack shows, in their order.
pub(crate) const CAUTIONS: [Text; 5] = [
    Text::CautionLight,
    Text::CautionGlass,
    Text::CautionArc,
    Text::CautionCodes,
    Text::CautionCalculation,
];

fixed_texts! {
    /// A fixed text of a pack.
    Text;
    PackTitle = "pack_title": "Two-way OTDR measurement: handover pack",
    Project = "project": "Project",
    ProjectNumber = "project_number": "Project number",
    Site = "site": "Site",
    Client = "client": "Client",
    Contractor = "contractor": "Contractor",
    Tester = "tester": "Tester",
    ReportTime = "report_time": "Time of the report",
    Instrument = "instrument": "Instrument",
    Serial = "serial": "Serial number",
    CalibratedUntil = "calibrated_until": "Calibrated until",
    Operator = "operator": "Operator",
    Settings = "settings": "Settings",
    Limits = "limits": "Limits and decision rule",
    NoLimits = "no_limits": "No limits were asked for; nothing is judged.",
    Summary = "summary": "Summary",
    Matrix = "matrix": "Loss of every joint",
    Fibres = "fibres": "Fibres",
    Fibre = "fibre": "Fibre",
    Cable = "cable": "Cable",
    EndA = "end_a": "End A",
    EndB = "end_b": "End B",
    Wavelength = "wavelength": "Wavelength",
    Length = "length": "Length",
    Loss = "loss": "Two-way loss",
    Attenuation = "attenuation": "Attenuation",
    ReturnLossA = "return_loss_a": "Return loss from A",
    ReturnLossB = "return_loss_b": "Return loss from B",
    Verdict = "verdict": "Verdict",
    Pass = "pass": "pass",
    Fail = "fail": "fail",
    Undecided = "undecided": "undecided",
    NotJudged = "not_judged": "not judged",
    NotMeasured = "not_measured": "not measured",
    Events = "events": "Joints and events",
    Sections = "sections": "Sections",
    Number = "number": "No.",
    Place = "place": "Place",
    Kind = "kind": "What it is",
    Joint = "joint": "Joint",
    LossAToB = "loss_a_to_b": "Read from A",
    LossBToA = "loss_b_to_a": "Read from B",
    BackscatterStep = "backscatter_step": "Backscatter step",
    ReflectanceA = "reflectance_a": "Reflectance from A",
    ReflectanceB = "reflectance_b": "Reflectance from B",
    Limit = "limit": "Limit",
    Conformance = "conformance": "Probability that the limit is met",
    StdError = "std_error": "Standard error",
    Notes = "notes": "Notes",
    Warnings = "warnings": "Doubts",
    Exceptions = "exceptions": "What is not within limits",
    Redo = "redo": "Joints to do again",
    Retest = "retest": "Measured again",
    PowerMeter = "power_meter": "Source and power meter",
    Cautions = "cautions": "Before you connect anything",
    CautionLight = "caution_light": "Laser light at these wavelengths is invisible. Never look into a fibre, a connector or a port, least of all through a microscope, until a power meter shows it dark. Make sure that no traffic is live on the fibre before an OTDR is connected to it.",
    CautionGlass = "caution_glass": "Fibre ends are glass shards. Wear eye protection, put every scrap into a closed container, and keep food away.",
    CautionArc = "caution_arc": "A fusion splicer makes an arc. Never use it in gas or vapour. Chambers and poles have their own permits.",
    CautionCodes = "caution_codes": "Local codes, the client's method statement and licensed practice come first.",
    CautionCalculation = "caution_calculation": "What is printed here is a calculation, not an acceptance. The judgement stays with whoever signs.",
    SettingsAndLimits = "settings_and_limits": "Settings, limits and cautions",
    LinksMeasured = "links_measured": "links measured from both ends",
    LinksMissing = "links_missing": "links not measured from both ends",
    LinksMissingTitle = "links_missing_title": "Links not measured from both ends",
    PageNumber = "page_number": "page {page} of {pages}",
    Note = "note": "Note",
    NotStated = "not_stated": "not stated",
    Links = "links": "Links",
    FibreAndWavelengths = "fibre_and_wavelengths": "1 fibre at {wavelengths}",
    FibresAndWavelengths = "fibres_and_wavelengths": "{fibres} fibres at {wavelengths}",
    RuleInWords = "rule_in_words": "A value y with standard error u passes if y + k·u is within the limit, fails if y − k·u is beyond it, and is undecided between the two; k = {k}. What was not measured both ways is never a pass.",
    AppliesTo = "applies_to": "Applies to",
    AllWavelengths = "all_wavelengths": "all",
    DetectionRule = "detection_rule": "False events that the detection was set to: {rate} in 1,000 km of fibre.",
    Default = "default": "default for the wavelength",
    SplicesMean = "splices_mean": "Mean of the splices",
    SplicesMost = "splices_most": "Greatest splice",
    HeatMap = "heat_map": "Every fibre at every joint, {wavelength}",
    HeatWithin = "heat_within": "within the limit: the darker, the nearer to it",
    HeatUnder = "heat_under": "up to {reference} dB: the darker, the more loss",
    HeatEnds = "heat_ends": "end connectors: the same up to {most} dB",
    HeatOver = "heat_over": "above {reference} dB (not a verdict)",
    MatrixUnit = "matrix_unit": "Two-way loss in dB at {wavelength}; — where it was not measured both ways.",
    MatrixMarks = "matrix_marks": "Filled: fails; framed: undecided (by loss or reflectance).",
    NoExceptions = "no_exceptions": "None: every link is within its limits.",
    LinksNotPassed = "links_not_passed": "Links that did not pass",
    Finding = "finding": "Finding",
    WorstJoint = "worst_joint": "Worst joint",
    NothingToRedo = "nothing_to_redo": "No joint is proposed for splicing again.",
    TubeAndColour = "tube_and_colour": "Tube, colour",
    RetestNote = "retest_note": "To be filled in after the work: measure again from both ends.",
    NewLoss = "new_loss": "New two-way loss, dB",
    Date = "date": "Date",
    By = "by": "By",
    VisitSheet = "visit_sheet": "Visit: {joint}",
    VisitTime = "visit_time": "Time of the steps known: {time}",
    VisitNotCounted = "visit_not_counted": "Not in this time, because nobody gave a figure: {steps}",
    Step = "step": "Step",
    Times = "times": "Times",
    SecondsEach = "seconds_each": "Seconds each",
    Given = "given": "given",
    CommonPractice = "common_practice": "common practice, no source",
    Done = "done": "Done",
    SplicerEstimate = "splicer_estimate": "Splicer's estimate, dB",
    WithinErrors = "within_errors": "within both uncertainties",
    BeyondErrors = "beyond_errors": "beyond both uncertainties",
    MissingCharacters = "missing_characters": "Characters that the font of this document lacks are shown as □: {characters}",
    Page = "page": "Page",
    Of = "of": "of",
    TwoWayProfile = "two_way_profile": "Two-way profile",
    BackscatterProfile = "backscatter_profile": "Backscatter profile",
    TraceFromA = "trace_from_a": "Trace from A",
    TraceFromB = "trace_from_b": "Trace from B",
    AllFibres = "all_fibres": "All fibres",
    Files = "files": "Files",
    Curves = "curves": "Show",
    BothTraces = "both_traces": "Both traces",
    ZoomIn = "zoom_in": "Zoom in",
    ZoomOut = "zoom_out": "Zoom out",
    WholeFibre = "whole_fibre": "Whole fibre",
    FitLevels = "fit_levels": "Fit levels",
    SetMark = "set_mark": "Set or clear mark",
    EventBefore = "event_before": "Event before",
    EventNext = "event_next": "Next event",
    ShowEvent = "show_event": "Show event",
    PlotLabel = "plot_label": "Levels of both traces over the fibre; the tables below hold the same events",
    KeysTitle = "keys_title": "Keys and gestures",
    Keys = "keys": "Arrows left and right move the cursor by one sample (with Shift by twenty), up and down stretch the levels, + and − zoom, Page up and Page down move along the fibre, Home and End go to the first and last connector, 0 shows the whole fibre, M sets the mark at the cursor, N and P go to the next event and the one before. Drag to move along, pinch or turn the wheel to zoom, turn it with Shift to stretch the levels; tap to put the cursor.",
    NoScript = "no_script": "The plot needs scripts, which this browser does not run; the tables below and the plots in the folder hold the same results.",
    Thinned = "thinned": "The traces have more samples than a page can hold: of every {n} the least and the greatest level are shown. The raw traces hold all of them.",
    PlaceAxis = "place_axis": "place from A's first connector, {unit} of fibre",
    LevelAxis = "level_axis": "level, dB",
    Cursor = "cursor": "Cursor",
    FromA = "from_a": "from A",
    FromB = "from_b": "from B",
    FromMark = "from_mark": "From the mark",
    LevelFalls = "level_falls": "light lost on the way to B",
    NoCursor = "no_cursor": "Point into the plot, or focus it and press an arrow key, to read levels.",
    NoLevels = "no_levels": "The levels could not be loaded.",
    From = "from": "From",
    To = "to": "To",
    KindConnector = "kind_connector": "connector",
    KindSplice = "kind_splice": "splice",
    KindBend = "kind_bend": "bend (suspected)",
    KindGroup = "kind_group": "group",
    KindEcho = "kind_echo": "echo",
    KindBreak = "kind_break": "break",
    KindEnd = "kind_end": "end",
    IsBound = "is_bound": "a bound: the reflection is at least this strong",
    Difference = "difference": "Two-way loss less the power meter's",
    Tube = "tube": "Tube",
    Colour = "colour": "Colour",
    ChainageFromA = "chainage_from_a": "Along the cable from A",
    ChainageFromB = "chainage_from_b": "Along the cable from B",
    Forced = "forced": "Forced by the fibres, at most",
    ExpectedAfter = "expected_after": "Expected after",
    VerdictAfter = "verdict_after": "Verdict on the fibre after",
    LaunchCord = "launch_cord": "Launch cord",
    TailCord = "tail_cord": "Tail cord",
    Unit = "unit": "Unit",
    Margin = "margin": "Margin",
    Judgements = "judgements": "Values against limits",
    DecisionRule = "decision_rule": "pass: within the limit by k standard errors or more; fail: outside by more; else undecided; what was not measured both ways is never a pass (after JCGM 106, from memory)",
    Search = "search": "Find a fibre",
    OnlyOpen = "only_open": "only those not passed",
    Findings = "findings": "What was found",
    Rank = "rank": "Rank",
    Skipped = "skipped": "Files without a result",
    Reason = "reason": "Reason",
    File = "file": "File",
    Direction = "direction": "Direction",
    PulseWidth = "pulse_width": "Pulse width",
    GroupIndex = "group_index": "Group index",
    BackscatterCoefficient = "backscatter_coefficient": "Backscatter coefficient at 1 ns",
    AveragingTime = "averaging_time": "Averaging time",
    Spacing = "spacing": "Distance between samples",
    Samples = "samples": "Samples",
    Measured = "measured": "Measured",
    Source = "source": "Source",
    Value = "value": "Value",
    Quantity = "quantity": "Quantity",
    Coverage = "coverage": "Standard errors that a value keeps from its limit (k)",
    HowToCheck = "how_to_check": "How to check this pack",
    CheckText = "check_text": "manifest.json lists every file with its SHA-256. `bothends verify FOLDER` compares them, measures every link again from its raw traces, says what differs, and prints the digest of the whole pack, which is the SHA-256 of manifest.json and should come to you by another way.",
    RawTraces = "raw_traces": "Raw traces and their SHA-256",
    WholeVerdict = "whole_verdict": "Cable as a whole",
    AtMostOver = "at_most_over": "at most {count} above {loss}",
    Budget = "budget": "at most {splice} for each splice + {connector} for each connector + {km} for each km + {plus}",
    BudgetOfParts = "budget_of_parts": "at most {splice} for each splice + {connector} for each connector + {km} for each km",
    NoLink = "no_link": "no link of this fibre was measured",
    FileWorkbook = "file_workbook": "workbook: matrix, events, sections, settings",
    FileEvents = "file_events": "every event of every link",
    FileSections = "file_sections": "the stretches between them",
    FileManifest = "file_manifest": "every file with its SHA-256, settings, raw traces",
    FileLinks = "file_links": "every link as a JSON object, one a line",
    FileJudgements = "file_judgements": "every value held against a limit",
    FileLimits = "file_limits": "the limits that were applied",
    FileReport = "file_report": "the report, to print and to hand over",
    FileCable = "file_cable": "the cable as a whole",
    OneLoss = "one_loss": "one loss",
    Reflective = "reflective": "reflective",
    NoReflection = "no_reflection": "no reflection",
    EchoOf = "echo_of": "echo of {one} and {other}",
    UpTo = "up_to": "to {place} m",
    ByPlan = "by_plan": "by plan",
    SeenFromA = "seen_from_a": "seen from A only",
    SeenFromB = "seen_from_b": "seen from B only",
    SeenFromNeither = "seen_from_neither": "shows in neither trace",
    SeenFromEnd = "seen_from_end": "seen from {end}",
    AToB = "a_to_b": "A to B",
    BToA = "b_to_a": "B to A",
    EventNumber = "event_number": "event {number}",
    TheLink = "the_link": "the link",
    QuantitySpliceLoss = "quantity_splice_loss": "splice loss",
    QuantityConnectorLoss = "quantity_connector_loss": "connector loss",
    QuantityGroupLoss = "quantity_group_loss": "loss of a group",
    QuantityContinuity = "quantity_continuity": "continuity",
    QuantityReflectance = "quantity_reflectance": "reflectance",
    QuantitySectionAttenuation = "quantity_section_attenuation": "attenuation of a section",
    QuantityFibreMean = "quantity_fibre_mean": "mean splice loss of the fibre",
    QuantityClosureMean = "quantity_closure_mean": "mean splice loss of the closure",
    QuantitySplicesOver = "quantity_splices_over": "splices above the softer limit",
    QuantityLinkLoss = "quantity_link_loss": "link loss",
    QuantityReturnLoss = "quantity_return_loss": "return loss",
    FindingBreak = "finding_break": "break",
    FindingCrossedFibres = "finding_crossed_fibres": "crossed fibres",
    FindingSwappedEnds = "finding_swapped_ends": "swapped ends",
    FindingDuplicateFile = "finding_duplicate_file": "duplicate file",
    FindingMissingPartner = "finding_missing_partner": "missing partner",
    FindingBadJoint = "finding_bad_joint": "bad joint",
    FindingBend = "finding_bend": "bend",
    FindingShiftedTray = "finding_shifted_tray": "shifted tray",
    FindingOutlier = "finding_outlier": "outlier",
    FindingLooksBadOneWay = "finding_looks_bad_one_way": "looks bad one way",
    FindingSplicingMachine = "finding_splicing_machine": "splicing machine",
    FindingPoorSettings = "finding_poor_settings": "poor settings",
    SayBreak = "say_break": "{message}",
    SayCrossedFibres = "say_crossed_fibres": "{message}",
    SaySwappedEnds = "say_swapped_ends": "{message}",
    SayDuplicateFile = "say_duplicate_file": "{message}",
    SayMissingPartner = "say_missing_partner": "{message}",
    SayBadJoint = "say_bad_joint": "{message}",
    SayBend = "say_bend": "{message}",
    SayShiftedTray = "say_shifted_tray": "{message}",
    SayOutlier = "say_outlier": "{message}",
    SayLooksBadOneWay = "say_looks_bad_one_way": "{message}",
    SaySplicingMachine = "say_splicing_machine": "{message}",
    SayPoorSettings = "say_poor_settings": "{message}",
    SayPass = "say_pass": "{message}",
    SayFail = "say_fail": "{message}",
    SayUndecided = "say_undecided": "{message}",
    SayNotJudged = "say_not_judged": "{message}",
}

/// The fixed texts in one language.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wording {
    /// Language of the texts as a BCP 47 tag, such as `en-GB`.
    pub language: String,
    replaced: BTreeMap<Text, String>,
    figures: Phrases,
}

impl Default for Wording {
    fn default() -> Self {
        Self {
            language: "en-GB".to_owned(),
            replaced: BTreeMap::new(),
            figures: Phrases::default(),
        }
    }
}

impl Wording {
    /// The text in this wording.
    pub fn of(&self, text: Text) -> &str {
        self.replaced
            .get(&text)
            .map_or_else(|| text.english(), String::as_str)
    }

    /// Puts a text in place of the one built in.
    pub fn replace(&mut self, text: Text, with: String) {
        self.replace_keyed(text.key(), with);
    }

    /// Puts a text in place of those with that key, in the pack and in its figures; tells
    /// whether there are any.
    pub fn replace_keyed(&mut self, key: &str, with: String) -> bool {
        let phrase = Phrase::ALL.iter().find(|phrase| phrase.key() == key);
        if let Some(phrase) = phrase {
            self.figures.replace(*phrase, &with);
        }
        let text = Text::ALL.iter().find(|text| text.key() == key);
        if let Some(text) = text {
            self.replaced.insert(*text, with);
        }
        text.is_some() || phrase.is_some()
    }

    /// The words of figures.
    pub const fn figures(&self) -> &Phrases {
        &self.figures
    }

    /// The text with its places filled in; `{key}` stands for a value.
    ///
    /// A value that holds a key in braces itself is not filled in again.
    pub(crate) fn filled(&self, text: Text, values: &[(&str, &str)]) -> String {
        filled(self.of(text), values)
    }

    /// The word for a verdict.
    pub fn verdict(&self, verdict: crate::both_ways::Verdict) -> &str {
        use crate::both_ways::Verdict;
        self.of(match verdict {
            Verdict::Pass => Text::Pass,
            Verdict::Fail => Text::Fail,
            Verdict::Undecided => Text::Undecided,
            Verdict::NotJudged => Text::NotJudged,
        })
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// A key stands for one text of the pack; one that figures share says the same there.
    #[test]
    fn a_key_stands_for_one_text() {
        let keys: BTreeSet<&str> = Text::ALL.iter().map(|text| text.key()).collect();
        assert_eq!(keys.len(), Text::ALL.len());
        let phrases: BTreeSet<&str> = Phrase::ALL.iter().map(|phrase| phrase.key()).collect();
        assert_eq!(phrases.len(), Phrase::ALL.len());
        for phrase in Phrase::ALL {
            let shared = Text::ALL.iter().find(|text| text.key() == phrase.key());
            assert_eq!(
                shared.is_none(),
                phrase.key().starts_with("figure_"),
                "{}",
                phrase.key()
            );
            if let Some(text) = shared {
                assert_eq!(text.english(), phrase.english());
            }
        }
    }

    #[test]
    fn a_word_that_figures_share_is_replaced_in_both() {
        let mut wording = Wording::default();
        wording.replace(Text::KindSplice, "Spleiß".to_owned());
        assert!(wording.replace_keyed("figure_row_number", "Nummer".to_owned()));
        assert!(!wording.replace_keyed("figure", "x".to_owned()));
        assert_eq!(wording.of(Text::KindSplice), "Spleiß");
        assert_eq!(wording.figures().of(Phrase::KindSplice), "Spleiß");
        assert_eq!(wording.figures().of(Phrase::RowNumber), "Nummer");
    }
}
