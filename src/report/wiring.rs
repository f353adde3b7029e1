//! A wiring sheet: the power path along the top, below it one row per pin with what stands between it and the bench,
//! and where it goes, by the number of the place.

use std::fmt::Write as _;

/// A sheet, everything chosen and worded.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// Name of the rig.
    pub title: String,
    /// What the pins are.
    pub note: String,
    /// The supply in words.
    pub supply: String,
    /// Rating of the fuse.
    pub fuse: String,
    /// Wire of the supply path.
    pub wire: String,
    /// First-power means in words.
    pub means: String,
    /// The load fan in words.
    pub fan: String,
    /// Whether the fan's own current is measured.
    pub fan_current: bool,
    /// Whether the supply voltage is sensed at the unit's pins by wires of its own.
    pub four_wire: bool,
    /// One row per pin.
    pub rows: Vec<Row>,
    /// What to buy.
    pub parts: Vec<Part>,
    /// What to mind.
    pub cautions: Vec<String>,
}

/// A pin and where it goes.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Name at the driver.
    pub pin: String,
    /// Its function.
    pub what: String,
    /// What stands between pin and bench.
    pub element: Element,
    /// The place.
    pub net: Net,
    /// Values.
    pub note: String,
}

/// A line of the parts list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// How many.
    pub count: usize,
    /// What.
    pub what: String,
    /// What for.
    pub why: String,
}

/// What stands between a pin and the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Element {
    /// Transistor that drives a coil.
    RelayDriver,
    /// Transistor that pulls the line to ground.
    OpenDrain,
    /// Driver that switches both ways.
    PushPull,
    /// Resistor to ground through a switch.
    HoldLow,
    /// Resistor to a voltage through a switch.
    HoldHigh,
    /// Voltage divider against ground.
    Divider,
    /// Differential divider.
    Differential,
    /// Current sensor of the wide range.
    CurrentSensor,
    /// Shunt of the low range.
    Shunt,
    /// Temperature sensor.
    Thermometer,
    /// Conditioned edge input.
    PulseInput,
    /// Contact against ground with a pull resistor.
    Contact,
    /// Monostable that needs edges.
    Monostable,
}

impl Element {
    const fn words(self) -> &'static str {
        match self {
            Self::RelayDriver => "coil driver",
            Self::OpenDrain => "transistor to ground",
            Self::PushPull => "push-pull driver",
            Self::HoldLow => "switch to ground",
            Self::HoldHigh => "switch to plus",
            Self::Divider => "divider",
            Self::Differential => "differential divider",
            Self::CurrentSensor => "current sensor",
            Self::Shunt => "shunt",
            Self::Thermometer => "thermometer",
            Self::PulseInput => "pulse input",
            Self::Contact => "contact",
            Self::Monostable => "monostable",
        }
    }
}

/// A place on the power path, numbered in the drawing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Net {
    /// Coil of the supply relay.
    Relay,
    /// First-power relay.
    Gentle,
    /// Supply current.
    SupplyCurrent,
    /// Supply pins of the unit.
    SupplySense,
    /// Command line of the unit.
    Line,
    /// Fan pins.
    Output,
    /// Fan lead.
    FanCurrent,
    /// Speed sensor at the fan.
    Tach,
    /// Case of the unit.
    Case,
    /// Air beside the unit.
    Ambient,
    /// Emergency stop.
    Stop,
}

impl Net {
    /// Number in the drawing and where it is.
    const fn place(self) -> (u8, &'static str) {
        match self {
            Self::Relay => (1, "supply relay"),
            Self::Gentle => (2, "first-power relay"),
            Self::SupplyCurrent => (3, "supply lead"),
            Self::SupplySense => (4, "supply pins of the unit"),
            Self::Line => (5, "command pin of the unit"),
            Self::Output => (6, "fan pins, both"),
            Self::FanCurrent => (7, "fan lead"),
            Self::Tach => (8, "fan"),
            Self::Case => (9, "case of the unit"),
            Self::Ambient => (10, "air beside the unit"),
            Self::Stop => (11, "emergency stop"),
        }
    }
}

/// Parts list and cautions as text.
#[must_use]
pub fn text(sheet: &Sheet) -> String {
    let mut text = format!("{}\n{}\n\npins\n", sheet.title, sheet.note);
    let wide = sheet.rows.iter().map(|row| row.pin.chars().count()).max().unwrap_or(0);
    for row in &sheet.rows {
        let (number, place) = row.net.place();
        let _ = writeln!(
            text,
            "  {:<wide$}  {:<22} {:<21} -> {number:>2} {place}  {}",
            row.pin,
            row.what,
            row.element.words(),
            row.note
        );
    }
    text.push_str("\nparts\n");
    for part in &sheet.parts {
        let _ = writeln!(text, "  {:>2} x {}: {}", part.count, part.what, part.why);
    }
    text.push_str("\ncautions\n");
    for caution in &sheet.cautions {
        let _ = writeln!(text, "  - {caution}");
    }
    text
}

const WIDTH: f64 = 1240.0;
const TOP: f64 = 184.0;
const GROUND: f64 = 364.0;
const ROWS: f64 = 474.0;
const STEP: f64 = 40.0;

/// The drawing.
#[must_use]
pub fn svg(sheet: &Sheet) -> String {
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    let height = ROWS + STEP * (sheet.rows.len() as f64 + 0.5) + 22.0 * sheet.cautions.len() as f64 + 30.0;
    let mut pen = Pen(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" width=\"{WIDTH:.0}\" \
         height=\"{height:.0}\" font-family=\"sans-serif\" font-size=\"14\" role=\"img\" aria-label=\"wiring\">\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    ));
    pen.text((30.0, 34.0), "start", 20, &sheet.title);
    pen.text((30.0, 56.0), "start", 13, &sheet.note);
    power_path(&mut pen, sheet);
    rows(&mut pen, sheet);
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    let mut y = ROWS + STEP * (sheet.rows.len() as f64 + 0.5) + 10.0;
    for caution in &sheet.cautions {
        pen.text((30.0, y), "start", 13, &format!("! {caution}"));
        y += 22.0;
    }
    pen.0.push_str("</svg>\n");
    pen.0
}

/// Battery, fuse, emergency stop, relay with the first-power branch, current sensor, unit, fan, ground.
fn power_path(pen: &mut Pen, sheet: &Sheet) {
    // Heavy lines first, parts over them.
    pen.line(&[(70.0, 228.0), (70.0, TOP), (790.0, TOP)], 5.0);
    pen.line(&[(70.0, 255.0), (70.0, GROUND), (850.0, GROUND), (850.0, TOP + 140.0)], 5.0);
    pen.line(&[(46.0, 228.0), (94.0, 228.0)], 3.0);
    pen.line(&[(58.0, 240.0), (82.0, 240.0)], 6.0);
    pen.line(&[(70.0, 240.0), (70.0, 256.0)], 5.0);
    pen.text((104.0, 232.0), "start", 13, "battery or supply");
    pen.text((104.0, 250.0), "start", 13, &sheet.supply);
    pen.boxed((150.0, TOP - 11.0, 70.0, 22.0), "");
    pen.line(&[(150.0, TOP), (220.0, TOP)], 1.5);
    pen.text((185.0, TOP - 36.0), "middle", 13, &format!("fuse {}", sheet.fuse));
    pen.text((185.0, TOP - 20.0), "middle", 12, "within 20 cm of the post");
    pen.text((420.0, GROUND - 10.0), "middle", 13, &format!("supply and ground: {} copper", sheet.wire));
    // The relay's contact, its coil fed through the emergency stop.
    pen.gap((350.0, TOP), (410.0, TOP));
    pen.line(&[(350.0, TOP), (404.0, TOP - 20.0)], 4.0);
    pen.text((372.0, TOP + 24.0), "end", 13, "supply relay");
    pen.boxed((362.0, TOP + 48.0, 36.0, 24.0), "coil");
    pen.dashes(&[(380.0, TOP + 48.0), (380.0, TOP - 10.0)]);
    pen.line(&[(398.0, TOP + 60.0), (440.0, TOP + 60.0)], 1.5);
    // A contact that opens when it is pressed.
    pen.gap((440.0, TOP + 60.0), (476.0, TOP + 60.0));
    pen.line(&[(440.0, TOP + 60.0), (478.0, TOP + 57.0)], 2.5);
    pen.line(&[(476.0, TOP + 60.0), (500.0, TOP + 60.0)], 1.5);
    pen.line(&[(452.0, TOP + 36.0), (468.0, TOP + 36.0)], 4.0);
    pen.line(&[(460.0, TOP + 36.0), (460.0, TOP + 53.0)], 1.5);
    // Two lines: one would run into the unit.
    pen.text((505.0, TOP + 57.0), "start", 12, "emergency stop: feeds every");
    pen.text((505.0, TOP + 73.0), "start", 12, "coil, opens when pressed");
    pen.number(Net::Stop, (458.0, TOP + 82.0));
    pen.number(Net::Relay, (344.0, TOP + 60.0));
    first_power(pen, sheet);
    // Current sensor, unit, fan.
    pen.circle((640.0, TOP), 18.0);
    pen.text((640.0, TOP + 5.0), "middle", 14, "A");
    pen.number(Net::SupplyCurrent, (640.0, TOP + 34.0));
    pen.boxed((790.0, TOP - 40.0, 170.0, 180.0), "");
    pen.text((875.0, TOP + 40.0), "middle", 16, "unit");
    pen.text((800.0, TOP + 5.0), "start", 13, "supply +");
    pen.text((850.0, TOP + 132.0), "middle", 13, "ground");
    pen.text((952.0, TOP + 5.0), "end", 13, "fan +");
    pen.text((952.0, TOP + 75.0), "end", 13, "fan -");
    pen.text((800.0, TOP + 105.0), "start", 13, "command");
    pen.line(&[(790.0, TOP + 100.0), (740.0, TOP + 100.0)], 1.5);
    pen.number(Net::Line, (726.0, TOP + 100.0));
    let sense = if sheet.four_wire { "sensed at the pins, own wires" } else { "sensed before the leads" };
    pen.number(Net::SupplySense, (770.0, TOP - 24.0));
    pen.text((756.0, TOP - 34.0), "end", 12, sense);
    pen.number(Net::Case, (940.0, TOP - 24.0));
    pen.number(Net::Ambient, (982.0, TOP - 56.0));
    pen.line(&[(960.0, TOP), (1090.0, TOP), (1090.0, TOP + 12.0)], 5.0);
    pen.line(&[(960.0, TOP + 70.0), (1090.0, TOP + 70.0), (1090.0, TOP + 60.0)], 5.0);
    pen.circle((1090.0, TOP + 35.0), 26.0);
    pen.text((1090.0, TOP + 40.0), "middle", 15, "M");
    pen.text((1126.0, TOP + 18.0), "start", 12, "load fan,");
    pen.text((1126.0, TOP + 34.0), "start", 12, "guarded");
    pen.text((1080.0, TOP + 100.0), "middle", 12, &sheet.fan);
    pen.number(Net::Tach, (1138.0, TOP + 56.0));
    pen.number(Net::Output, (1010.0, TOP + 35.0));
    pen.dashes(&[(1010.0, TOP + 2.0), (1010.0, TOP + 22.0)]);
    pen.dashes(&[(1010.0, TOP + 48.0), (1010.0, TOP + 68.0)]);
    if sheet.fan_current {
        pen.circle((1048.0, TOP), 13.0);
        pen.text((1048.0, TOP + 5.0), "middle", 13, "A");
        pen.number(Net::FanCurrent, (1048.0, TOP - 28.0));
    }
}

fn first_power(pen: &mut Pen, sheet: &Sheet) {
    let has_branch = sheet.rows.iter().any(|row| row.net == Net::Gentle);
    if !has_branch {
        pen.text((380.0, TOP - 34.0), "middle", 12, &format!("first power: {}", sheet.means));
        return;
    }
    pen.line(&[(320.0, TOP), (320.0, TOP - 54.0), (560.0, TOP - 54.0), (560.0, TOP)], 2.5);
    pen.gap((345.0, TOP - 54.0), (395.0, TOP - 54.0));
    pen.line(&[(345.0, TOP - 54.0), (390.0, TOP - 70.0)], 2.5);
    pen.number(Net::Gentle, (368.0, TOP - 84.0));
    pen.boxed((440.0, TOP - 64.0, 80.0, 20.0), "");
    pen.text((480.0, TOP - 72.0), "middle", 13, &sheet.means);
}

/// One row per pin: pin, element, place.
fn rows(pen: &mut Pen, sheet: &Sheet) {
    pen.text((30.0, ROWS - 34.0), "start", 15, "pin");
    pen.text((480.0, ROWS - 34.0), "start", 15, "between");
    pen.text((840.0, ROWS - 34.0), "start", 15, "goes to");
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    let height = STEP * sheet.rows.len() as f64;
    pen.boxed((30.0, ROWS - 22.0, 400.0, height), "");
    for (at, row) in sheet.rows.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
        let y = ROWS + STEP * at as f64;
        pen.text((42.0, y + 5.0), "start", 13, &row.what);
        pen.text((418.0, y + 5.0), "end", 12, &row.pin);
        pen.line(&[(430.0, y), (480.0, y)], 1.5);
        pen.boxed((480.0, y - 14.0, 160.0, 28.0), row.element.words());
        pen.line(&[(640.0, y), (816.0, y)], 1.5);
        pen.text((650.0, y - 5.0), "start", 12, &row.note);
        pen.number(row.net, (830.0, y));
        pen.text((850.0, y + 5.0), "start", 13, row.net.place().1);
    }
}

/// Draws with what SVG has.
struct Pen(String);

impl Pen {
    fn line(&mut self, points: &[(f64, f64)], width: f64) {
        self.path(points, width, "");
    }

    fn dashes(&mut self, points: &[(f64, f64)]) {
        self.path(points, 1.5, " stroke-dasharray=\"4 4\"");
    }

    fn path(&mut self, points: &[(f64, f64)], width: f64, dashes: &str) {
        let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let points = points.join(" ");
        let _ = write!(
            self.0,
            "<polyline points=\"{points}\" fill=\"none\" stroke=\"#000\" stroke-width=\"{width}\"{dashes}/>"
        );
    }

    /// An open contact: nothing between two dots.
    fn gap(&mut self, from: (f64, f64), to: (f64, f64)) {
        let _ = write!(
            self.0,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"8\" fill=\"#fff\"/>",
            from.0,
            from.1 - 4.0,
            to.0 - from.0
        );
        for (x, y) in [from, to] {
            let _ = write!(self.0, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>");
        }
    }

    fn circle(&mut self, (x, y): (f64, f64), r: f64) {
        let _ = write!(
            self.0,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r}\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"2\"/>"
        );
    }

    fn boxed(&mut self, (x, y, wide, high): (f64, f64, f64, f64), text: &str) {
        let _ = write!(
            self.0,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{wide:.1}\" height=\"{high:.1}\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"1.5\"/>"
        );
        if !text.is_empty() {
            self.text((x + 0.5 * wide, y + 0.5 * high + 5.0), "middle", 13, text);
        }
    }

    fn text(&mut self, (x, y): (f64, f64), anchor: &str, size: u8, text: &str) {
        let text = text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
        let _ = write!(
            self.0,
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" font-size=\"{size}\">{text}</text>"
        );
    }

    /// The number of a place.
    fn number(&mut self, net: Net, (x, y): (f64, f64)) {
        let _ = write!(self.0, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"12\" fill=\"#0072b2\"/>");
        let number = net.place().0;
        let _ = write!(
            self.0,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"13\" fill=\"#fff\">{number}</text>",
            y + 4.5
        );
    }
}
