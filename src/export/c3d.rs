//! Marker trajectories as a C3D file (open standard for 3-D movement data; "The C3D File Format User Guide", c3d.org, from memory; read back by two outside readers in
//! `scripts/tables/check.py`): little-endian, floating-point, lengths in mm.

/// One frame: every marker's place in mm, or `None` where it is not known.
pub type MarkerFrame = Vec<Option<[f32; 3]>>;

/// What goes into the file.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkerFile {
    /// One name a marker.
    pub labels: Vec<String>,
    /// Frames a second.
    pub rate_hz: f32,
    /// Presentation time of the first frame in the recording, seconds.
    pub start_s: f32,
    /// The frames, carpet frame (Z up, Z = 0 on the carpet), mm.
    pub frames: Vec<MarkerFrame>,
}

const BLOCK: usize = 512;
const POINT: i8 = 1;
const ANALOG: i8 = 2;
const MANUFACTURER: i8 = 3;
const SHANKLINE: i8 = 4;

impl MarkerFile {
    /// The bytes of the file.
    ///
    /// # Errors
    /// A sentence where there is more than the format's 16-bit counts can say.
    pub fn bytes(&self) -> Result<Vec<u8>, String> {
        let markers = u16::try_from(self.labels.len()).map_err(|_| "there are more than 65535 markers".to_string())?;
        // Readers take the counts as signed or as unsigned; below 32768 they agree.
        let frames = u16::try_from(self.frames.len())
            .ok()
            .filter(|n| *n < 32_768)
            .ok_or("there are more than 32767 frames")?;
        let blocks = self.parameters(markers, frames, 0).len().div_ceil(BLOCK);
        let data_start = u16::try_from(2 + blocks).map_err(|_| "the parameters are too long".to_string())?;
        let mut out = self.header(markers, frames, data_start);
        let mut parameters = self.parameters(markers, frames, data_start);
        parameters[2] = u8::try_from(blocks).map_err(|_| "the parameters are too long".to_string())?;
        parameters.resize(blocks * BLOCK, 0);
        out.extend(parameters);
        for frame in &self.frames {
            for place in frame {
                let (at, residual) = match place {
                    Some(at) => (*at, 0.0f32),
                    // A residual of −1 marks a marker that is not known in this frame.
                    None => ([0.0; 3], -1.0),
                };
                for v in at.into_iter().chain([residual]) {
                    out.extend(v.to_le_bytes());
                }
            }
        }
        out.resize(out.len().div_ceil(BLOCK) * BLOCK, 0);
        Ok(out)
    }

    fn header(&self, markers: u16, frames: u16, data_start: u16) -> Vec<u8> {
        let mut h = vec![2, 0x50];
        for word in [markers, 0, 1, frames, 0] {
            h.extend(word.to_le_bytes());
        }
        // A negative scale says that the points are floating-point numbers.
        h.extend((-1.0f32).to_le_bytes());
        h.extend(data_start.to_le_bytes());
        h.extend(0u16.to_le_bytes());
        h.extend(self.rate_hz.to_le_bytes());
        h.resize(BLOCK, 0);
        h
    }

    fn parameters(&self, markers: u16, frames: u16, data_start: u16) -> Vec<u8> {
        let width = self.labels.iter().map(String::len).max().unwrap_or(0).clamp(1, 127) as u8;
        let labels: Vec<u8> = self
            .labels
            .iter()
            .flat_map(|l| {
                let mut bytes = l.as_bytes().to_vec();
                bytes.resize(usize::from(width), b' ');
                bytes
            })
            .collect();
        let count = u8::try_from(self.labels.len()).unwrap_or(u8::MAX);
        let float = |v: f32| v.to_le_bytes().to_vec();
        let word = |v: u16| v.to_le_bytes().to_vec();
        let mut p = vec![1, 0x50, 0, 84];
        group(&mut p, POINT, "POINT", "Points of the kneeling lower leg, carpet frame");
        parameter(&mut p, POINT, "USED", 2, &[], &word(markers));
        parameter(&mut p, POINT, "SCALE", 4, &[], &float(-1.0));
        parameter(&mut p, POINT, "RATE", 4, &[], &float(self.rate_hz));
        parameter(&mut p, POINT, "DATA_START", 2, &[], &word(data_start));
        parameter(&mut p, POINT, "FRAMES", 2, &[], &word(frames));
        parameter(&mut p, POINT, "LABELS", -1, &[width, count], &labels);
        parameter(&mut p, POINT, "DESCRIPTIONS", -1, &[width, count], &labels);
        parameter(&mut p, POINT, "UNITS", -1, &[2], b"mm");
        parameter(&mut p, POINT, "X_SCREEN", -1, &[2], b"+X");
        parameter(&mut p, POINT, "Y_SCREEN", -1, &[2], b"+Z");
        group(&mut p, ANALOG, "ANALOG", "None");
        parameter(&mut p, ANALOG, "USED", 2, &[], &word(0));
        parameter(&mut p, ANALOG, "GEN_SCALE", 4, &[], &float(1.0));
        parameter(&mut p, ANALOG, "RATE", 4, &[], &float(0.0));
        parameter(&mut p, ANALOG, "LABELS", -1, &[1, 0], &[]);
        parameter(&mut p, ANALOG, "SCALE", 4, &[0], &[]);
        parameter(&mut p, ANALOG, "OFFSET", 2, &[0], &[]);
        group(&mut p, MANUFACTURER, "MANUFACTURER", "What wrote the file");
        parameter(&mut p, MANUFACTURER, "SOFTWARE", -1, &[9], b"shankline");
        let version = env!("CARGO_PKG_VERSION").as_bytes();
        parameter(&mut p, MANUFACTURER, "SOFTWARE_VERSION", -1, &[version.len() as u8], version);
        group(&mut p, SHANKLINE, "SHANKLINE", "Where in the recording the frames lie");
        parameter(&mut p, SHANKLINE, "FIRST_FRAME_TIME_S", 4, &[], &float(self.start_s));
        // A name of no length ends the list.
        p.extend([0, 0]);
        p
    }
}

fn group(out: &mut Vec<u8>, id: i8, name: &str, description: &str) {
    out.push(name.len() as u8);
    out.push((-id) as u8);
    out.extend(name.as_bytes());
    // From here to the next record: these two bytes, the description's length, the description.
    out.extend((3 + description.len() as u16).to_le_bytes());
    out.push(description.len() as u8);
    out.extend(description.as_bytes());
}

/// `kind`: −1 text, 2 16-bit whole number, 4 32-bit floating-point number. No `sizes` means one value.
fn parameter(out: &mut Vec<u8>, id: i8, name: &str, kind: i8, sizes: &[u8], data: &[u8]) {
    out.push(name.len() as u8);
    out.push(id as u8);
    out.extend(name.as_bytes());
    let length = 2 + 1 + 1 + sizes.len() + data.len() + 1;
    out.extend((length as u16).to_le_bytes());
    out.push(kind as u8);
    out.push(sizes.len() as u8);
    out.extend(sizes);
    out.extend(data);
    out.push(0);
}
