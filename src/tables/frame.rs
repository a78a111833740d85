//! Frames: named columns of one kind each, whatever they are written as.

/// The cells of one column. `None` is an empty cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Text.
    Text(Vec<Option<String>>),
    /// Real numbers.
    Real(Vec<Option<f64>>),
    /// Whole numbers.
    Whole(Vec<Option<i64>>),
    /// Yes or no.
    Flag(Vec<Option<bool>>),
}

impl Column {
    /// Number of cells.
    pub fn len(&self) -> usize {
        match self {
            Self::Text(cells) => cells.len(),
            Self::Real(cells) => cells.len(),
            Self::Whole(cells) => cells.len(),
            Self::Flag(cells) => cells.len(),
        }
    }

    /// True without cells.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A value that fits one kind of column.
pub trait Cell {
    /// A column for values of this type.
    fn column() -> Column;
    /// Appends the value. A column of another kind is left alone.
    fn put(&self, column: &mut Column);
}

impl Cell for String {
    fn column() -> Column {
        Column::Text(Vec::new())
    }
    fn put(&self, column: &mut Column) {
        if let Column::Text(cells) = column {
            cells.push(Some(self.clone()));
        }
    }
}

impl Cell for f64 {
    fn column() -> Column {
        Column::Real(Vec::new())
    }
    fn put(&self, column: &mut Column) {
        if let Column::Real(cells) = column {
            cells.push(self.is_finite().then_some(*self));
        }
    }
}

impl Cell for u64 {
    fn column() -> Column {
        Column::Whole(Vec::new())
    }
    fn put(&self, column: &mut Column) {
        if let Column::Whole(cells) = column {
            cells.push(i64::try_from(*self).ok());
        }
    }
}

impl Cell for bool {
    fn column() -> Column {
        Column::Flag(Vec::new())
    }
    fn put(&self, column: &mut Column) {
        if let Column::Flag(cells) = column {
            cells.push(Some(*self));
        }
    }
}

impl<T: Cell> Cell for Option<T> {
    fn column() -> Column {
        T::column()
    }
    fn put(&self, column: &mut Column) {
        match self {
            Some(value) => value.put(column),
            None => match column {
                Column::Text(cells) => cells.push(None),
                Column::Real(cells) => cells.push(None),
                Column::Whole(cells) => cells.push(None),
                Column::Flag(cells) => cells.push(None),
            },
        }
    }
}

/// A row of a table: what its columns are and how it goes into them.
pub trait Row {
    /// Name of the table.
    const TABLE: &'static str;
    /// Column names and what each holds.
    const COLUMNS: &'static [(&'static str, &'static str)];
    /// Empty columns, in the order of [`Row::COLUMNS`].
    fn columns() -> Vec<Column>;
    /// Appends the row.
    fn put(&self, columns: &mut [Column]);
}

/// A table in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Name of the table.
    pub table: &'static str,
    /// Column names.
    pub names: Vec<&'static str>,
    /// The columns, all of one length.
    pub columns: Vec<Column>,
}

impl Frame {
    /// An empty table for rows of this type.
    pub fn of<R: Row>() -> Self {
        Self {
            table: R::TABLE,
            names: R::COLUMNS.iter().map(|(name, _)| *name).collect(),
            columns: R::columns(),
        }
    }

    /// Appends a row of the type the table was made for.
    pub fn push<R: Row>(&mut self, row: &R) {
        row.put(&mut self.columns);
    }

    /// Number of rows.
    pub fn height(&self) -> usize {
        self.columns.first().map_or(0, Column::len)
    }
}

/// Declares a row type: a struct with public fields, its column names, their descriptions
/// (the doc comments) and how it goes into a [`Frame`].
macro_rules! row {
    ($(#[$outer:meta])* $name:ident = $table:literal { $( #[doc = $doc:literal] $field:ident : $kind:ty, )* }) => {
        $(#[$outer])*
        #[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
        #[allow(unreachable_pub, reason = "a macro does not know where it is used")]
        pub struct $name { $( #[doc = $doc] pub $field: $kind, )* }

        impl $crate::tables::frame::Row for $name {
            const TABLE: &'static str = $table;
            const COLUMNS: &'static [(&'static str, &'static str)] =
                &[ $( (stringify!($field), $doc), )* ];
            fn columns() -> Vec<$crate::tables::frame::Column> {
                vec![ $( <$kind as $crate::tables::frame::Cell>::column(), )* ]
            }
            fn put(&self, columns: &mut [$crate::tables::frame::Column]) {
                let mut columns = columns.iter_mut();
                $( if let Some(column) = columns.next() {
                    $crate::tables::frame::Cell::put(&self.$field, column);
                } )*
            }
        }
    };
}
pub(crate) use row;
