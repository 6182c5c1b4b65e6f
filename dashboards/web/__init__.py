"""The pages, served: thin shells round dashboards/pages and the ledger."""
