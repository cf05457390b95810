//! Reports: `model` decides once what is said and in which order; the renderers obey. All from the record.
