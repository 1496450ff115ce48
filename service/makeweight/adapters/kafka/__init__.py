"""The distributed host: the same stages on Apache Kafka, run by Faust workers."""
