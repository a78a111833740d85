//! Output: terminal, JSON, HTML, plots. Renders a finished result and decides nothing.
