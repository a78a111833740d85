//! A synthetic run as the analysis takes it, without a file in between.

use std::collections::BTreeMap;

use super::Simulated;
use crate::notice::Error;
use crate::recording::{
    Channel, Chunk, Closing, Dropped, Layout, Polarity, Role, SampleStream, Sampling, Segment,
    StatedSigns, Understanding,
};

/// Samples in one chunk.
const CHUNK: usize = 65_536;

/// Hands a [`Simulated`] on in chunks. Signs are ours and stated; samples whose force is
/// missing are dropped and counted, as intake does.
#[derive(Debug, Clone)]
pub struct SimulatedStream {
    whole: Chunk,
    next: usize,
    dropped: u64,
    rate_hz: Option<f64>,
    understanding: Understanding,
}

impl Simulated {
    /// All samples as one chunk that starts a segment.
    pub fn chunk(&self) -> Chunk {
        let kept: Vec<usize> = (0..self.time.len())
            .filter(|&i| self.force.get(i).is_some_and(|f| f.is_finite()))
            .collect();
        let pick = |values: &[f64]| -> Vec<f64> {
            kept.iter()
                .filter_map(|&i| values.get(i).copied())
                .collect()
        };
        Chunk {
            starts_segment: Some(Segment::default()),
            time: pick(&self.time),
            travel: pick(&self.travel),
            force: pick(&self.force),
            velocity: pick(&self.velocity),
            temperature: pick(&self.temperature),
            pressure: Vec::new(),
        }
    }

    /// The run as the analysis takes it.
    pub fn stream(&self) -> SimulatedStream {
        let whole = self.chunk();
        let channel = |role, column: &str, unit: &str| Channel {
            role,
            column: column.into(),
            unit: unit.into(),
            unit_evidence: "simulated".into(),
            scale_to_si: 1.0,
        };
        let mut channels = vec![
            channel(Role::Time, "time", "s"),
            channel(Role::Displacement, "travel", "m"),
            channel(Role::Velocity, "velocity", "m/s"),
            channel(Role::Force, "force", "N"),
        ];
        if !self.temperature.is_empty() {
            channels.push(channel(Role::Temperature, "temperature", "°C"));
        }
        let rate_hz = match (self.time.first(), self.time.last()) {
            (Some(first), Some(last)) if last > first => {
                Some((self.time.len() - 1) as f64 / (last - first))
            }
            _ => None,
        };
        SimulatedStream {
            dropped: (self.time.len() - whole.len()) as u64,
            whole,
            next: 0,
            rate_hz,
            understanding: Understanding {
                layout: Layout::TimeSeries,
                channels,
                signs: StatedSigns {
                    compression: Some(Polarity::Positive),
                    force: Some(Polarity::Positive),
                },
                metadata: BTreeMap::new(),
            },
        }
    }
}

impl SampleStream for SimulatedStream {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        let (from, to) = (self.next, (self.next + CHUNK).min(self.whole.len()));
        if from >= to {
            return Ok(None);
        }
        self.next = to;
        let part = |values: &[f64]| values.get(from..to).unwrap_or_default().to_vec();
        Ok(Some(Chunk {
            starts_segment: (from == 0).then(Segment::default),
            time: part(&self.whole.time),
            travel: part(&self.whole.travel),
            force: part(&self.whole.force),
            velocity: part(&self.whole.velocity),
            temperature: part(&self.whole.temperature),
            pressure: Vec::new(),
        }))
    }

    fn closing(&mut self) -> Closing {
        Closing {
            sources: Vec::new(),
            sampling: Sampling {
                rate_hz: self.rate_hz,
                jitter: Some(0.0),
                rows_used: self.whole.len() as u64,
                rows_dropped: self.dropped,
                dropped: (self.dropped > 0)
                    .then(|| Dropped {
                        reason: "force missing".into(),
                        count: self.dropped,
                    })
                    .into_iter()
                    .collect(),
                clipped: Vec::new(),
            },
            notices: Vec::new(),
        }
    }
}
