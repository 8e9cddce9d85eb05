"""The quick engine with exact derivatives: one module beside each part that it has."""
