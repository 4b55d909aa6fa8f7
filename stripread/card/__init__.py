"""Card layouts, drawing and enrolling a print, finding it in a photo."""
