//! The fixed texts of a pack: English built in, any of them replaceable.

use std::collections::BTreeMap;

macro_rules! texts {
    ($($(#[$doc:meta])* $name:ident = $key:literal: $english:literal,)*) => {
        /// A fixed text of a pack.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Text {
            $(#[doc = concat!("\"", $english, "\"")] $(#[$doc])* $name,)*
        }

        impl Text {
            /// Every text, in the order of a pack.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// Its key in the `[wording]` table of a project file.
            pub const fn key(self) -> &'static str {
                match self {
                    $(Self::$name => $key,)*
                }
            }

            /// The text that is built in.
            pub const fn english(self) -> &'static str {
                match self {
                    $(Self::$name => $english,)*
                }
            }
        }
    };
}

texts! {
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
    PageNumber = "page_number": "page {page} of {pages}",
    Address = "address": "Address",
    Contact = "contact": "Contact",
    Note = "note": "Note",
    NotStated = "not_stated": "not stated",
    Links = "links": "Links",
    FibresAndWavelengths = "fibres_and_wavelengths": "{fibres} fibres at {wavelengths}",
    DecisionRule = "decision_rule": "A value y with standard error u passes if y + k·u is within the limit, fails if y − k·u is beyond it, and is undecided between the two; k = {k}. What was not measured both ways is never a pass.",
    AppliesTo = "applies_to": "Applies to",
    Source = "source": "Source",
    DetectionRule = "detection_rule": "Events are detected at a rate of {rate} false events in 1,000 km of fibre.",
    Default = "default": "default for the wavelength",
    PulseWidth = "pulse_width": "Pulse width",
    GroupIndex = "group_index": "Group index",
    Backscatter = "backscatter": "Backscatter coefficient",
    Averaging = "averaging": "Averaging time",
    Spacing = "spacing": "Sample spacing",
    SplicesMean = "splices_mean": "Mean of the splices",
    SplicesMost = "splices_most": "Greatest splice",
    HeatMap = "heat_map": "Every fibre at every joint, {wavelength}",
    HeatWithin = "heat_within": "within the limit: the darker, the nearer to it",
    HeatUnder = "heat_under": "up to {reference} dB: the darker, the more loss",
    HeatOver = "heat_over": "above {reference} dB (not a verdict)",
    HeatFail = "heat_fail": "fail",
    HeatUndecided = "heat_undecided": "undecided",
    MatrixUnit = "matrix_unit": "Two-way loss in dB at {wavelength}; — where it was not measured both ways. A filled cell fails, a framed one is undecided.",
    NoExceptions = "no_exceptions": "None: every link is within its limits.",
    LinksNotPassed = "links_not_passed": "Links that did not pass",
    Findings = "findings": "Findings",
    Finding = "finding": "Finding",
    WorstJoint = "worst_joint": "Worst joint",
    Skipped = "skipped": "Files that gave no link",
    File = "file": "File",
    Reason = "reason": "Reason",
    NothingToRedo = "nothing_to_redo": "No joint is proposed for splicing again.",
    Rank = "rank": "Rank",
    TubeAndColour = "tube_and_colour": "Tube, colour",
    ChainageA = "chainage_a": "Cable from A",
    ChainageB = "chainage_b": "Cable from B",
    Forced = "forced": "Forced by the fibres, at most",
    ExpectedAfter = "expected_after": "Expected after",
    VerdictAfter = "verdict_after": "Link after",
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
    PowerDirection = "power_direction": "Direction",
    PowerDifference = "power_difference": "Two-way total less this",
    WithinErrors = "within_errors": "within both uncertainties",
    BeyondErrors = "beyond_errors": "beyond both uncertainties",
    Files = "files": "Files",
    MissingCharacters = "missing_characters": "Characters that the font of this document lacks are shown as □: {characters}",
    Page = "page": "Page",
    Of = "of": "of",
    TwoWayProfile = "two_way_profile": "Two-way profile",
    BackscatterProfile = "backscatter_profile": "Backscatter profile",
    TraceFromA = "trace_from_a": "Trace from A",
    TraceFromB = "trace_from_b": "Trace from B",
    RawTraces = "raw_traces": "Raw traces and their SHA-256",
}

/// The fixed texts in one language.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wording {
    /// Language of the texts as a BCP 47 tag, such as `en-GB`.
    pub language: String,
    replaced: BTreeMap<Text, String>,
}

impl Default for Wording {
    fn default() -> Self {
        Self {
            language: "en-GB".to_owned(),
            replaced: BTreeMap::new(),
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
        self.replaced.insert(text, with);
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
