"""The only place that draws or renders: pictures, tables, documents, files."""
