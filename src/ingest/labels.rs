//! What labels before the header are called in twelve languages, and whether files that are
//! joined bear the labels of one damper.

use std::collections::BTreeMap;

use super::loops::speed_in;
use super::names::{fold, words};
use crate::notice::{Error, Place};

/// Plain name of a label, by the words in it (folded). First fit wins.
const LABELS: &[(&str, &[&str])] = &[
    (
        "sample_rate",
        &[
            "sample rate",
            "sampling rate",
            "samplerate",
            "sampling frequency",
            "sample frequency",
            "abtastrate",
            "abtastfrequenz",
            "messrate",
            "frequence d echantillonnage",
            "echantillonnage",
            "frecuencia de muestreo",
            "frequenza di campionamento",
            "campionamento",
            "taxa de amostragem",
            "amostragem",
            "muestreo",
            "bemonsteringsfrequentie",
            "samplingsfrekvens",
            "czestotliwosc probkowania",
            "probkowania",
            "vzorkovaci frekvence",
            "vzorkovani",
            "サンプリング周波数",
            "サンプリングレート",
            "采样率",
            "采样频率",
            "scan rate",
            "data rate",
            "rate",
        ],
    ),
    (
        "sample_interval",
        &[
            "sample interval",
            "sampling interval",
            "sample time",
            "sampling period",
            "abtastintervall",
            "abtastzeit",
            "time step",
            "dt",
            "采样间隔",
            "サンプリング周期",
        ],
    ),
    (
        "rod_ratio",
        &[
            "rod ratio",
            "crank ratio",
            "lambda",
            "schubstangenverhaltnis",
        ],
    ),
    (
        "stroke",
        &[
            "stroke",
            "hub",
            "course",
            "carrera",
            "corsa",
            "curso",
            "slag",
            "slaglangd",
            "skok",
            "zdvih",
            "ストローク",
            "行程",
        ],
    ),
    (
        "speed",
        &[
            "speed",
            "velocity",
            "geschwindigkeit",
            "vitesse",
            "velocidad",
            "velocita",
            "velocidade",
            "snelheid",
            "hastighet",
            "predkosc",
            "rychlost",
            "速度",
        ],
    ),
    // Names of what is tested: the finer ones before `damper`, whose words they may hold.
    (
        "serial",
        &[
            "serial",
            "serial number",
            "serial no",
            "serial nr",
            "s n",
            "sn",
            "seriennummer",
            "serien nr",
            "serie nr",
            "numero de serie",
            "n de serie",
            "no de serie",
            "num serie",
            "numero di serie",
            "matricola",
            "numero de serie do amortecedor",
            "serienummer",
            "numer seryjny",
            "nr seryjny",
            "vyrobni cislo",
            "seriove cislo",
            "シリアル番号",
            "シリアルナンバー",
            "製造番号",
            "序列号",
            "编号",
        ],
    ),
    (
        "part",
        &[
            "part",
            "part no",
            "part nr",
            "part number",
            "p n",
            "teilenummer",
            "teile nr",
            "sachnummer",
            "artikelnummer",
            "reference piece",
            "reference de la piece",
            "numero de pieza",
            "codice articolo",
            "codice pezzo",
            "numero da peca",
            "onderdeelnummer",
            "artikelnr",
            "numer czesci",
            "cislo dilu",
            "部品番号",
            "品番",
            "零件号",
            "零件编号",
        ],
    ),
    (
        "specimen",
        &[
            "sample id",
            "specimen",
            "specimen id",
            "prufling",
            "probe nr",
        ],
    ),
    (
        "damper",
        &[
            "damper",
            "shock",
            "shock absorber",
            "dampfer",
            "stossdampfer",
            "amortisseur",
            "amortiguador",
            "ammortizzatore",
            "amortecedor",
            "demper",
            "schokdemper",
            "dampare",
            "stotdampare",
            "amortyzator",
            "tlumic",
            "ダンパー",
            "ショック",
            "减振器",
            "减震器",
        ],
    ),
    (
        "customer",
        &[
            "customer",
            "client",
            "kunde",
            "cliente",
            "klant",
            "kund",
            "klient",
            "zakaznik",
            "顧客",
            "お客様",
            "客户",
        ],
    ),
    (
        "order",
        &[
            "order",
            "order no",
            "order number",
            "work order",
            "job",
            "job number",
            "auftrag",
            "auftragsnummer",
            "auftrags nr",
            "commande",
            "numero de commande",
            "ordre de travail",
            "pedido",
            "orden de trabajo",
            "ordine",
            "commessa",
            "encomenda",
            "opdracht",
            "ordernummer",
            "zlecenie",
            "zakazka",
            "注文番号",
            "订单",
            "订单号",
            "工单",
        ],
    ),
    (
        "vehicle",
        &[
            "vehicle", "car", "fahrzeug", "vehicule", "voiture", "vehiculo", "veicolo", "vettura",
            "veiculo", "voertuig", "fordon", "pojazd", "vozidlo", "車両", "车辆", "车型",
        ],
    ),
    (
        "corner",
        &[
            "corner",
            "position",
            "wheel position",
            "einbaulage",
            "einbauort",
            "radposition",
            "posicion",
            "posizione",
            "posicao",
            "positie",
            "pozycja",
            "pozice",
            "取付位置",
            "安装位置",
        ],
    ),
    (
        "work done",
        &[
            "work done",
            "work carried out",
            "durchgefuhrte arbeiten",
            "arbeiten",
            "travaux",
            "travaux effectues",
            "trabajo realizado",
            "lavoro eseguito",
            "trabalho realizado",
            "uitgevoerd werk",
            "utfort arbete",
            "wykonane prace",
            "provedene prace",
            "作業内容",
            "维修内容",
        ],
    ),
    (
        "charge",
        &[
            "charge",
            "gas charge",
            "gas pressure",
            "charge pressure",
            "gasdruck",
            "fulldruck",
            "pression de gaz",
            "pression gaz",
            "presion de gas",
            "pressione gas",
            "pressione del gas",
            "pressao do gas",
            "gasdruk",
            "gastryck",
            "cisnienie gazu",
            "tlak plynu",
            "ガス圧",
            "气压",
            "充气压力",
        ],
    ),
    (
        "date",
        &[
            "date",
            "datum",
            "fecha",
            "data",
            "日付",
            "日期",
            "test date",
        ],
    ),
    (
        "temperature",
        &[
            "temperature",
            "temp",
            "temperatur",
            "temperatura",
            "temperatuur",
            "teplota",
            "温度",
        ],
    ),
    (
        "operator",
        &[
            "operator",
            "user",
            "tester",
            "bediener",
            "prufer",
            "operateur",
            "operador",
            "operatore",
            "technicus",
            "operatr",
            "obsluha",
            "作業者",
            "操作员",
        ],
    ),
    (
        "positive",
        &[
            "positive",
            "positiv",
            "sign",
            "sign convention",
            "vorzeichen",
        ],
    ),
];

/// Entries longer than this are also found within a longer label: as whole words, from
/// seven letters on also in compounds.
const ALSO_WITHIN: usize = 4;
const IN_COMPOUNDS: usize = 7;

/// The plain name of a label whose folded words are joined by blanks.
pub(super) fn plain_name(joined: &str) -> Option<&'static str> {
    // Whole words, so that a recorder is no order; longer entries also within a compound.
    let within = |entry: &&str| {
        let letters = entry.chars().count();
        letters > ALSO_WITHIN
            && if entry.is_ascii() && letters < IN_COMPOUNDS {
                format!(" {joined} ").contains(&format!(" {entry} "))
            } else {
                joined.contains(*entry)
            }
    };
    let named = |test: &dyn Fn(&&str) -> bool| {
        LABELS
            .iter()
            .find(|(_, entries)| entries.iter().any(test))
            .map(|(name, _)| *name)
    };
    named(&|entry| **entry == *joined).or_else(|| named(&within))
}

/// Labels that are the same in all files of one damper.
const OF_ONE_DAMPER: [&str; 8] = [
    "serial", "part", "damper", "specimen", "customer", "order", "vehicle", "corner",
];

/// What the labels of the files so far say of the damper: value and file of each.
#[derive(Debug, Clone, Default)]
pub(super) struct OneDamper {
    said: BTreeMap<String, (String, String)>,
}

impl OneDamper {
    /// Takes the labels of one more file.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if they name another damper.
    pub(super) fn take(
        &mut self,
        path: &str,
        labels: &BTreeMap<String, String>,
    ) -> Result<(), Error> {
        for (label, value) in labels {
            let key = fold(label);
            let clicks = |w: &&str| matches!(*w, "click" | "clicks");
            // A second label of the kind in one file goes by the name it is written with.
            if !OF_ONE_DAMPER.contains(&label.as_str()) && !words(&key).iter().any(clicks) {
                continue;
            }
            let Some((before, first)) = self.said.get(&key) else {
                self.said.insert(key, (value.clone(), path.to_owned()));
                continue;
            };
            if is_alike(before, value) {
                continue;
            }
            return Err(Error::input(
                "not-one-damper",
                format!(
                    "these files are not one damper's run: \"{label}\" is \"{before}\" in {first} and \"{value}\" in {path}"
                ),
            )
            .at(Place {
                path: Some(path.to_owned()),
                ..Place::default()
            })
            .help(HELP));
        }
        Ok(())
    }
}

/// What to do where several files are several runs.
pub(crate) const HELP: &str = "put dampers side by side with `loopwork compare`, tabulate many runs with `loopwork batch`; if the files are one damper's run all the same, say --one-damper";

/// The same words, or a name that differs in the speed it gives.
fn is_alike(a: &str, b: &str) -> bool {
    let plain = |text: &str| words(&fold(text)).concat();
    plain(a) == plain(b) || speed_in(a).is_some() && speed_in(b).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_serial_is_no_damper_and_a_recorder_no_order() {
        for (label, name) in [
            ("shock serial number", Some("serial")),
            ("part number", Some("part")),
            ("damper", Some("damper")),
            ("hinterer stossdampfer", Some("damper")),
            ("work order", Some("order")),
            ("data recorder", None),
            ("sample rate", Some("sample_rate")),
            ("vyrobni cislo", Some("serial")),
        ] {
            assert_eq!(plain_name(label), name, "{label}");
        }
    }

    #[test]
    fn labels_of_another_damper_are_told() {
        let labels = |v: &str| BTreeMap::from([("serial".to_owned(), v.to_owned())]);
        let mut damper = OneDamper::default();
        damper.take("a", &labels("S-1")).unwrap();
        damper.take("b", &BTreeMap::new()).unwrap();
        damper.take("c", &labels("s 1")).unwrap();
        assert!(damper.take("d", &labels("S-2")).is_err());
        let mut paced = OneDamper::default();
        paced.take("a", &labels("S-1 0.1 m/s")).unwrap();
        paced.take("b", &labels("S-1 0.2 m/s")).unwrap();
    }
}
