//! What stands in a pack, in the order it is written.
//!
//! The rule of this file: memory holds the records of a few days at most, and of a pack that is narrowed the ids of what it
//! tells.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use futures_util::TryStreamExt as _;
use tokio::task::JoinHandle;
use uuid::Uuid;

use super::archive::Archive;
use crate::domain::evidence_pack::differences::{self, in_words};
use crate::domain::evidence_pack::manifest::{Manifest, Written};
use crate::domain::evidence_pack::page::page;
use crate::domain::evidence_pack::{Cover, Found, Summary};
use crate::domain::seal::DaySeal;
use crate::domain::seal::day_proof::{DayLeaf, DayProof};
use crate::domain::seal::proof::{Proof, ProofError};
use crate::domain::seal::record::{Leaves, Record, RecordName};
use crate::domain::seal::tamper::{ReadBack, SealFinding, day_findings, read_back};
use crate::domain::seal::tree::TreeHash;
use crate::http::representation::RowFormat;
use crate::http::rows::{write_head, write_record, write_row};
use crate::http::streaming::{PIECE_BYTES, Pieces, StreamError};
use crate::store::exports::packs::{self, Instants, Narrowing, Period};
use crate::store::exports::record_sets::{Pace, RECORD_SETS, RecordSet};
use crate::store::exports::snapshots::Snapshot;
use crate::store::exports::{self, Cells, Column};
use crate::store::seals;

/// The checker of proofs, as it stands in the repository.
const CHECK_PROOF: &str = include_str!("../../../../seed-demo/check_proof.py");

/// The checker of packs.
const CHECK_PACK: &str = include_str!("check_pack.py");

/// Days whose records are read at once: to plan the questions for one day costs Postgres about as much as to answer them.
const DAYS_AT_ONCE: usize = 7;

/// What is known of a pack before it is written.
pub(super) struct Pack {
    pub(super) group_id: Uuid,
    pub(super) cover: Cover,
    pub(super) summary: Summary,
    pub(super) period: Period,
    pub(super) narrowing: Narrowing,
    pub(super) seals: Vec<DaySeal>,
}

impl Pack {
    /// Whether a seal is of a day of the pack.
    fn covers(&self, seal: &DaySeal) -> bool {
        (self.period.from_on..=self.period.to_on).contains(&seal.clinic_day)
    }
}

/// Writes the pack.
pub(super) async fn write(mut tx: Snapshot, pieces: Pieces, pack: Pack) -> Result<(), StreamError> {
    let mut archive = Archive::new(pieces, pack.cover.made_at);
    archive.add("check_proof.py", CHECK_PROOF.as_bytes(), None).await?;
    archive.add("check_pack.py", CHECK_PACK.as_bytes(), None).await?;
    let mut told = Told::new(&pack);
    let mut left_out = Vec::new();
    let mut columns_csv = Vec::new();
    write_record(&mut columns_csv, ["records", "column", "type", "meaning"].iter())?;
    let mut described = 0;
    for set in &RECORD_SETS {
        let columns = exports::list_columns(&mut tx, set).await?;
        if !write_records(&mut tx, &mut archive, &pack, set, &columns, &mut told).await? {
            left_out.push(set.name);
            continue;
        }
        for column in &columns {
            let cells = [set.name, &column.name, &column.sql_type, &column.meaning];
            write_record(&mut columns_csv, cells.iter())?;
            described += 1;
        }
    }
    archive.add("columns.csv", &columns_csv, Some(described)).await?;
    let found = write_proofs(&mut tx, &mut archive, &pack, &told).await?;
    tx.finish().await?;
    // The page comes after the proofs: it says what they showed.
    archive.add("summary.html", page(&pack.cover, &pack.summary, &found).as_bytes(), None).await?;
    let written = Written { files: archive.files(), found: &found, left_out: &left_out };
    let manifest = serde_json::to_vec_pretty(&Manifest::new(&pack.cover, &pack.summary.sealed, written))?;
    archive.add("manifest.json", &manifest, None).await?;
    archive.finish().await
}

/// One kind as CSV and as JSON; whether it says anything of what the pack is narrowed to.
async fn write_records(
    tx: &mut Snapshot,
    archive: &mut Archive,
    pack: &Pack,
    set: &RecordSet,
    columns: &[Column],
    told: &mut Told,
) -> Result<bool, StreamError> {
    for (format, path) in
        [(RowFormat::Csv, format!("csv/{}.csv", set.name)), (RowFormat::Lines, format!("json/{}.ndjson", set.name))]
    {
        let Some(mut rows) = packs::stream_period(tx, set, columns, &pack.period, pack.narrowing) else {
            return Ok(false);
        };
        archive.begin(&path)?;
        let mut piece = Vec::with_capacity(PIECE_BYTES * 2);
        write_head(&mut piece, format, columns)?;
        let mut count = 0;
        while let Some((recorded, cells)) = rows.try_next().await? {
            // The same rows come a second time.
            if format == RowFormat::Csv && set.pace != Pace::Whole {
                match record_name(set, columns, &cells) {
                    Some(record) => told.note_record(record, &recorded),
                    None => told.note(id_place(set, columns).and_then(|place| cells[place].as_deref()), &recorded),
                }
            }
            write_row(&mut piece, format, columns, &cells)?;
            count += 1;
            if piece.len() >= PIECE_BYTES {
                archive.write(&piece).await?;
                piece.clear();
            }
        }
        archive.write(&piece).await?;
        archive.end(Some(count));
    }
    Ok(true)
}

/// Which records the files tell, as far as the proofs must know.
struct Told {
    /// Ids of what is told, but for days of which everything is.
    ids: HashSet<Uuid>,
    /// What is told by its own name alone: other records name the same person or instrument, and are not told for that.
    records: HashSet<RecordName>,
    /// Ends of the seals, in order.
    ends: Vec<DateTime<Utc>>,
    /// Seals that hold what is told.
    seals: BTreeSet<usize>,
    /// Of which days everything is told.
    whole: BTreeSet<usize>,
    /// Rows whose records no seal holds yet.
    not_sealed: u64,
}

impl Told {
    fn new(pack: &Pack) -> Self {
        let days: BTreeSet<usize> =
            pack.seals.iter().filter(|seal| pack.covers(seal)).map(|seal| seal.number).collect();
        let everything = pack.narrowing == Narrowing::Clinic;
        Self {
            ids: pack.narrowing.id().into_iter().collect(),
            records: HashSet::new(),
            ends: pack.seals.iter().map(|seal| seal.recorded_until).collect(),
            seals: days.clone(),
            whole: if everything { days } else { BTreeSet::new() },
            not_sealed: 0,
        }
    }

    fn note_record(&mut self, record: RecordName, recorded: &Instants) {
        if self.note_seals(recorded).iter().any(|number| !self.whole.contains(number)) {
            self.records.insert(record);
        }
    }

    fn note(&mut self, id: Option<&str>, recorded: &Instants) {
        for number in self.note_seals(recorded) {
            if !self.whole.contains(&number)
                && let Some(id) = id.and_then(|text| Uuid::try_parse(text).ok())
            {
                self.ids.insert(id);
            }
        }
    }

    /// The seals that hold what was recorded at these instants.
    fn note_seals(&mut self, recorded: &Instants) -> BTreeSet<usize> {
        let mut numbers: BTreeSet<usize> =
            recorded.iter().flatten().map(|at| self.ends.partition_point(|end| end <= at)).collect();
        if numbers.remove(&self.ends.len()) {
            self.not_sealed += 1;
        }
        self.seals.extend(&numbers);
        numbers
    }

    /// Whether a record may stand in a proof with what it says: it is told itself, or belongs to what is.
    fn tells(&self, number: usize, record: &Record) -> bool {
        let is_told = |text: &str| Uuid::try_parse(text).is_ok_and(|id| self.ids.contains(&id));
        self.whole.contains(&number)
            || self.records.contains(&record.name())
            || record.id.split('/').next().is_some_and(is_told)
            || record.fields.iter().any(|(name, value)| name.ends_with("_id") && value.as_str().is_some_and(is_told))
    }
}

/// One proof for each sealed day that holds what is told; answers what they showed.
async fn write_proofs(
    tx: &mut Snapshot,
    archive: &mut Archive,
    pack: &Pack,
    told: &Told,
) -> Result<Found, StreamError> {
    let chain: Arc<[TreeHash]> = pack.seals.iter().map(DaySeal::leaf).collect();
    let sealed: BTreeSet<_> = pack.seals.iter().map(|seal| seal.clinic_day).collect();
    let days = pack.period.from_on.iter_days().take_while(|day| *day <= pack.period.to_on);
    let mut found = Found {
        unsealed: days.filter(|day| !sealed.contains(day)).collect(),
        rows_not_sealed: told.not_sealed,
        ..Found::default()
    };
    let of_chain = seals::checks::check_chain(tx, pack.group_id, pack.period.clinic_id, &pack.seals).await?;
    found.not_as_sealed.extend(of_chain.iter().map(in_words));
    let standing = seals::standing::check_standing(tx, pack.group_id, pack.period.clinic_id).await?;
    found.not_as_sealed.extend(standing.iter().map(in_words));
    let of_period: Vec<DaySeal> = pack.seals.iter().filter(|seal| pack.covers(seal)).cloned().collect();
    for days in of_period.chunks(seals::checks::MOST_DAYS) {
        let settled = seals::settlements::check_settlements(tx, pack.group_id, pack.period.clinic_id, days).await?;
        found.not_as_sealed.extend(settled.iter().map(in_words));
    }
    let seals: Vec<DaySeal> = told.seals.iter().filter_map(|number| pack.seals.get(*number)).cloned().collect();
    let mut proving: Option<JoinHandle<Vec<ProvedDay>>> = None;
    let runs = seals.chunk_by(|one, next| one.number + 1 == next.number);
    for days in runs.flat_map(|run| run.chunks(DAYS_AT_ONCE)) {
        let read = read_days(tx, pack, told, days).await?;
        // Hashes are work for a thread that answers nobody; the next days are read meanwhile.
        let chain = Arc::clone(&chain);
        let next = tokio::task::spawn_blocking(move || read.into_iter().map(|day| prove(day, &chain)).collect());
        if let Some(before) = proving.replace(next) {
            write_proofs_of_days(tx, archive, pack, &mut found, before).await?;
        }
    }
    if let Some(last) = proving {
        write_proofs_of_days(tx, archive, pack, &mut found, last).await?;
    }
    archive.add("proofs/README.txt", note_of(&found).as_bytes(), None).await?;
    Ok(found)
}

/// A sealed day as it is read: its records, each with whether the pack tells it, and its leaves.
struct DayRead {
    seal: DaySeal,
    records: Vec<(bool, Record)>,
    sealed: Leaves,
}

/// Days that follow each other.
async fn read_days(tx: &mut Snapshot, pack: &Pack, told: &Told, days: &[DaySeal]) -> Result<Vec<DayRead>, StreamError> {
    let (rows, mut leaves) = seals::checks::read(tx, pack.group_id, pack.period.clinic_id, days).await?;
    let read = days.iter().zip(seals::checks::by_day(days, rows)).map(|(seal, records)| DayRead {
        records: records.into_iter().map(|record| (told.tells(seal.number, &record), record)).collect(),
        sealed: leaves.remove(&seal.clinic_day).unwrap_or_default(),
        seal: seal.clone(),
    });
    Ok(read.collect())
}

/// A day with its proof, as far as there is one, and what is not as it was sealed.
struct ProvedDay {
    seal: DaySeal,
    sealed: Leaves,
    proof: Result<DayProof, ProofError>,
    findings: Vec<SealFinding>,
}

fn prove(day: DayRead, chain: &[TreeHash]) -> ProvedDay {
    let DayRead { seal, records, sealed } = day;
    let rows: Vec<ReadBack> = records.iter().map(|(_, record)| read_back(record)).collect();
    let findings = day_findings(&seal, &sealed, &rows);
    let mut as_sealed = BTreeMap::new();
    for ((is_told, record), (name, leaf)) in records.into_iter().zip(rows) {
        if is_told && leaf.as_ref() == sealed.get(&name) {
            as_sealed.insert(name, record);
        }
    }
    // A record that is told has the very hash that was sealed.
    let leaf = |(name, hash): (&RecordName, &TreeHash)| {
        (as_sealed.remove(name).map_or(DayLeaf::Hash(*hash), DayLeaf::Record), *hash)
    };
    let leaves = sealed.iter().map(leaf).collect();
    ProvedDay { proof: DayProof::new(seal.clone(), leaves, chain), seal, sealed, findings }
}

/// The proofs of some days, and what they show.
async fn write_proofs_of_days(
    tx: &mut Snapshot,
    archive: &mut Archive,
    pack: &Pack,
    found: &mut Found,
    proving: JoinHandle<Vec<ProvedDay>>,
) -> Result<(), StreamError> {
    let days = proving.await.map_err(|error| StreamError::Unwritable(error.to_string()))?;
    for ProvedDay { seal, sealed, proof, findings } in days {
        let (differing, purged) =
            seals::checks::account_for_purged(tx, &seal, sealed, findings, pack.cover.made_at).await?;
        found.not_as_sealed.extend(differing.iter().map(in_words));
        found.purged.extend(purged.iter().map(differences::purged));
        let day = seal.clinic_day;
        match proof {
            Ok(proof) => {
                let count = proof.leaves.iter().filter(|leaf| matches!(leaf, DayLeaf::Record(_))).count();
                let content = serde_json::to_vec(&Proof::Day(proof))?;
                archive.add(&format!("proofs/{day}.json"), &content, u64::try_from(count).ok()).await?;
            }
            Err(error) => found.not_as_sealed.push(format!("{day}: nothing of this day can be proved: {error}")),
        }
    }
    Ok(())
}

fn note_of(found: &Found) -> String {
    let list = |items: &[String]| if items.is_empty() { "none".to_owned() } else { items.join("\n  ") };
    format!(
        "One file a clinic day on which something of this pack was recorded: its records in the order of its seal's leaves, \
         a hash where a record is not told, and the way to the head of the clinic's chain.\n\
         Check them without the service: python3 check_pack.py, or one alone: python3 check_proof.py proofs/DAY.json\n\
         Compare the head that is printed with one that was kept where nobody who can write the database can write.\n\
         A record that is as it was sealed was not changed since. That says nothing of whether it is right.\n\n\
         Not as it was sealed:\n  {}\n\
         Purged:\n  {}\n\
         Rows of this pack whose records no seal holds yet: {}\n\
         Clinic days of this pack that are not sealed:\n  {}\n",
        list(&found.not_as_sealed),
        list(&found.purged),
        found.rows_not_sealed,
        list(&differences::spans(&found.unsealed))
    )
}

/// The record that a row of marks is.
fn record_name(set: &RecordSet, columns: &[Column], cells: &Cells) -> Option<RecordName> {
    let kind = set.mark_kind()?.to_owned();
    let part = |name: &str| cells[columns.iter().position(|column| column.name == name)?].clone();
    let parts: Option<Vec<String>> = set.key_names().map(part).collect();
    Some(RecordName { kind, id: parts?.join("/") })
}

/// Where the id stands that other records name a row by.
fn id_place(set: &RecordSet, columns: &[Column]) -> Option<usize> {
    let name = set.id_name()?;
    columns.iter().position(|column| column.name == name)
}
