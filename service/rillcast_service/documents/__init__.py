"""What a person reads: pictures as SVG, the quotation as HTML, the cost lines as CSV. Pure functions."""
