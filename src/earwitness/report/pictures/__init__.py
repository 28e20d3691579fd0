"""Pictures as SVG: bars, levels over points, spectrograms."""
